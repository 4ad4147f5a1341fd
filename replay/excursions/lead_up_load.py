"""The load that led up to an excursion, over spans that heat takes its time by.

How hot a joint is depends on its load over its thermal time constant; a tenth of it shows what came
last, five times of it (99 %) all that matters. Where no time constant is known, they are a minute,
ten minutes and an hour.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from logger.limits.kinds.thermal import Thermal
from replay.recording import Recording
from replay.statistics import rms_before

__all__ = ["SpanLoad", "describe_loads", "lead_up_loads", "lead_up_spans_s"]

DEFAULT_SPANS_S: Final = (60, 600, 3600)
OLDER_SPANS_S: Final = (60, 300, 900)
"""The spans of before, whose keys `dutytrace excursions --json` keeps for one version."""

_SHARES: Final = (0.1, 1.0, 5.0)
"""Of the time constant: what came last, what the temperature follows, all that it remembers."""
_ROUND_SPANS_S: Final = (
    *(10, 20, 30, 60, 120, 180, 300, 600, 900, 1200, 1800),
    *(3600, 7200, 10_800, 14_400, 21_600, 43_200, 86_400),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanLoad:
    """The load of a joint over one span before an instant."""

    span_s: int
    rms_torque_Nm: float  # noqa: N815 - the unit's own spelling
    """NaN: nothing was held in it."""
    since_start: bool = False
    """Whether the span would be longer, and is all that was recorded before the instant."""

    @property
    def label(self) -> str:
        """The span as people say it: 30 s, 1 min, 6 h, 38 min since the start."""
        since = " since the start" if self.since_start else ""
        return f"{_format_span(self.span_s)}{since}"


def lead_up_spans_s(recording: Recording, joint: str) -> tuple[int, ...]:
    """Return the spans, ascending in whole seconds, over which a joint's load is told.

    The time constant is that of a thermal limit on the joint (the longest of several).
    """
    limits = recording.limits.for_joint(joint, recording.channels(joint))
    time_constants_s = [limit.heating_s for limit in limits if isinstance(limit, Thermal)]
    if not time_constants_s:
        return DEFAULT_SPANS_S
    return tuple(sorted({_round_span_s(share * max(time_constants_s)) for share in _SHARES}))


def lead_up_loads(
    recording: Recording, joint: str, instants_ns: Sequence[int]
) -> list[tuple[tuple[SpanLoad, ...], dict[int, float]]]:
    """Return for each instant the loads over its spans, and the RMS torque over those of before."""
    spans_s = lead_up_spans_s(recording, joint)
    asked_s = sorted({*spans_s, *OLDER_SPANS_S})
    table = rms_before(recording, joint, "torque_Nm", instants_ns, spans_s=asked_s)
    loads = []
    for at_ns, row in zip(instants_ns, table.tolist(), strict=True):
        # Always the same NaN object, by which excursions compare as equal.
        rms = {
            span_s: math.nan if math.isnan(value) else value
            for span_s, value in zip(asked_s, row, strict=True)
        }
        recorded_s = (at_ns - recording.start_ns) / 1e9
        loads.append(
            (
                _recorded_loads(spans_s, rms, recorded_s),
                {span_s: rms[span_s] for span_s in OLDER_SPANS_S},
            )
        )
    return loads


def _recorded_loads(
    spans_s: Sequence[int], rms: Mapping[int, float], recorded_s: float
) -> tuple[SpanLoad, ...]:
    """Return the loads over the spans that were recorded whole, then over all that was.

    A load over the first minutes must not be told under the name of an hour.
    """
    loads = [SpanLoad(span_s=span_s, rms_torque_Nm=rms[span_s]) for span_s in spans_s]
    whole = [load for load in loads if load.span_s <= recorded_s]
    if len(whole) < len(loads):
        since_start = loads[len(whole)].rms_torque_Nm
        whole.append(
            SpanLoad(span_s=round(recorded_s), rms_torque_Nm=since_start, since_start=True)
        )
    return tuple(whole)


def _format_span(span_s: int) -> str:
    for seconds, unit in ((3600, "h"), (60, "min")):
        if span_s and span_s % seconds == 0:
            return f"{span_s // seconds} {unit}"
    if span_s < 120:
        return f"{span_s} s"
    return f"{span_s / 60:.0f} min" if span_s < 7200 else f"{span_s / 3600:.1f} h"


def describe_loads(loads: Sequence[SpanLoad], rated_Nm: float | None) -> str:  # noqa: N803 - the unit's own spelling
    """Return the loads in words, each with its span; empty where none is known."""
    texts = [
        f"{load.rms_torque_Nm:.1f} N·m over {load.label}"
        for load in loads
        if not math.isnan(load.rms_torque_Nm)
    ]
    rated = f" (rated {rated_Nm:g} N·m)" if texts and rated_Nm else ""
    return f"{', '.join(texts)}{rated}"


def _round_span_s(span_s: float) -> int:
    """Return the span that people would say, nearest by ratio."""
    return min(_ROUND_SPANS_S, key=lambda round_s: abs(math.log(round_s / span_s)))
