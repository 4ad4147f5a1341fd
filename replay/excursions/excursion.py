"""An excursion, a span beyond a limit, and its lead-up: the load, notes and gaps before it.

The load comes from one read of the pyramid for all excursions of a joint.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from logger.arrays import to_s
from logger.limits.limit import Limit
from logger.limits.words import format_value
from logger.store.layout.manifest import iso_utc
from replay.excursions.lead_up_load import SpanLoad, lead_up_loads
from replay.recording import Recording

__all__ = ["Excursion", "add_lead_up", "excursion_order", "format_peak"]

_NEARBY_NS: Final = 15 * 60 * 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """One span beyond one limit, on one joint."""

    joint: str
    limit: str
    severity: str
    channel: str
    onset_ns: int
    """The first reading that was beyond."""
    start_ns: int
    """When the limit picked up, after its on-delay."""
    duration_s: float
    peak: float
    """The worst value in the unit of the channel; seconds for a silence. Without a channel it is in
    the unit of the kind (a share of a full thermal image, a rise a minute, an error). NaN: not
    known."""
    peak_text: str
    """The same with its unit, as a person reads it."""
    ongoing: bool
    """Whether it had not returned at the end of the recording."""
    rms_torque_Nm: dict[int, float]  # noqa: N815 - the unit's own spelling
    """Seconds before the start -> RMS torque over them, of the spans of before (`load_before`):
    whole seconds, the last that was over at the start. Empty without a torque channel."""
    rated_torque_Nm: float | None  # noqa: N815 - the unit's own spelling
    nearby: tuple[str, ...]
    """Notes and gaps in the 15 minutes before it, in words."""
    peak_at_raise: bool = False
    """Whether `peak` is the value when the limit picked up, since no event has a later one."""
    load_before: tuple[SpanLoad, ...] = ()
    """The load over heat's spans before the start; empty without a torque channel."""

    def to_json(self) -> dict[str, Any]:
        """Return it as in the answer of `dutytrace excursions --json`; NaN is null."""
        return {
            "joint": self.joint,
            "limit": self.limit,
            "severity": self.severity,
            "channel": self.channel,
            "start": iso_utc(self.start_ns),
            "duration_s": round(self.duration_s, 3),
            "peak": None if math.isnan(self.peak) else self.peak,
            "ongoing": self.ongoing,
            "rms_torque_Nm": {
                str(seconds): None if math.isnan(rms) else round(rms, 4)
                for seconds, rms in self.rms_torque_Nm.items()
            },
            "near": list(self.nearby),
            "load_before": [
                {
                    "span_s": load.span_s,
                    "since_start": load.since_start,
                    "rms_torque_Nm": None
                    if math.isnan(load.rms_torque_Nm)
                    else round(load.rms_torque_Nm, 4),
                }
                for load in self.load_before
            ],
        }


def excursion_order(excursion: Excursion) -> tuple[int, str, str]:
    """Return the sort key of excursions: start, joint, limit."""
    return excursion.start_ns, excursion.joint, excursion.limit


def format_peak(limit: Limit, peak: float) -> str:
    """Return a peak with its unit, as a person reads it."""
    return "–" if math.isnan(peak) else format_value(limit, peak)


def add_lead_up(recording: Recording, excursions: Sequence[Excursion]) -> list[Excursion]:
    """Return excursions of one joint with their load and nearby events filled in."""
    if not excursions:
        return []
    joint = excursions[0].joint
    loads: list[tuple[tuple[SpanLoad, ...], dict[int, float]]] = [((), {}) for _ in excursions]
    if "torque_Nm" in recording.channels(joint):
        loads = lead_up_loads(recording, joint, [excursion.start_ns for excursion in excursions])
    notes = [(note.time_ns, note.text) for note in recording.read_notes()]
    missing = "values" if recording.bench.bus_of_joint(joint) is None else "frames"
    gaps = sorted(
        (end, f"no {missing} for {to_s(end - begin):.1f} s")
        for begin, end in recording.read_gaps(joint)
    )
    return [
        replace(
            excursion,
            rms_torque_Nm=rms_by_span,
            load_before=load_before,
            nearby=(*_nearby_texts(notes, excursion), *_nearby_texts(gaps, excursion)),
        )
        for excursion, (load_before, rms_by_span) in zip(excursions, loads, strict=True)
    ]


def _nearby_texts(notes: Sequence[tuple[int, str]], excursion: Excursion) -> list[str]:
    """Return the notes (or gaps) within 15 minutes before an excursion, in words.

    `notes`: (time, text), in order of time.
    """
    first = bisect_left(notes, excursion.start_ns - _NEARBY_NS, key=_time_of)
    after = bisect_right(notes, excursion.start_ns, key=_time_of)
    return [
        f"{_format_span(excursion.start_ns - at_ns)} before: {text}"
        for at_ns, text in notes[first:after]
    ]


def _time_of(note: tuple[int, str]) -> int:
    return note[0]


def _format_span(span_ns: int) -> str:
    seconds = to_s(span_ns)
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
