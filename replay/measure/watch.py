"""What has to keep right while somebody measures: pace, clamp, warmth, standing, speed. Pure.

Each is judged by the readings of the moment, with what is right beside it and how to go on where it
is not. A step says what it takes (`Step.keeps`).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from replay.measure.kinds.passes import STEADY_SHARE
from replay.measure.reading import ARCMIN_RAD
from replay.measure.setup import SpanTrace

__all__ = ["Watched", "watch_step"]

PACE_S: Final = 3.0
STILL_S: Final = 1.0
LATE_S: Final = 0.03
"""By how much a current is usually late."""
LATE_SHARE: Final = 0.005
"""Of rated torque: as much may the ramp make of that, a sixth of where lost motion is told."""
SLOWEST_LOOP_S: Final = 240.0
"""A longer loop is as much the drift of its motor as the gear."""
STILL_ARCMIN: Final = 1.0
CLAMP_HOLDS_ARCMIN: Final = 0.5
CLAMP_GIVES_ARCMIN: Final = 2.0
WARMER_K: Final = 5.0
"""Copper and magnets change torque and friction by about a hundredth in that."""
LEAST_READINGS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """One thing that has to keep right, as it is now."""

    code: str
    label: str
    value: float | None
    """None: what it is in words is all."""
    unit: str
    """UCUM; "" for none."""
    is_right: bool
    words: str
    """What is right, or how to go on where it is not."""
    is_grave: bool = False
    """Stop, before anything else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moment:
    """What the rules are given: the rows since the first open span, and the rated torque."""

    span: SpanTrace
    rated: float | None
    per_ampere: float | None
    is_open: bool

    def newest(self, name: str, length_s: float) -> tuple[Floats, Floats]:
        time_s, values = self.span.channel(name)
        if not len(time_s):
            return time_s, values
        kept = time_s >= time_s[-1] - length_s
        return time_s[kept], values[kept]


def watch_step(
    keeps: tuple[str, ...],
    span: SpanTrace,
    *,
    rated: float | None = None,
    per_ampere: float | None = None,
    is_open: bool,
) -> tuple[Watched, ...]:
    """Return what a step has to keep right, in its order, as far as the readings tell.

    Parameters
    ----------
    keeps
        `pace`, `clamp`, `temperature`, `still`, `steady`.
    span
        The rows since the first span of the measurement that is open, else the newest minute.
    rated, per_ampere
        Rated torque in N.m, torque per ampere in N.m/A; None: not known.
    is_open
        A span is open: what it asks for holds now.
    """
    moment = _Moment(span=span, rated=rated, per_ampere=per_ampere, is_open=is_open)
    found = (_RULES[name](moment) for name in keeps)
    return tuple(one for one in found if one is not None)


def _pace(moment: _Moment) -> Watched | None:
    """How fast torque is ramped: a late current makes too much of a quick ramp."""
    factor, (time_s, torque) = 1.0, moment.newest("torque_Nm", PACE_S)
    if len(time_s) < LEAST_READINGS and moment.per_ampere is not None:
        factor, (time_s, torque) = moment.per_ampere, moment.newest("current_A", PACE_S)
    if not moment.is_open or moment.rated is None or len(time_s) < LEAST_READINGS:
        return None
    pace = factor * abs(float(np.polyfit(time_s - time_s[0], torque, 1)[0]))
    low, high = 4.0 * moment.rated / SLOWEST_LOOP_S, LATE_SHARE * moment.rated / LATE_S
    right = f"{low:.2g} to {high:.2g} while it ramps"
    if pace > high:
        words = f"Too quick: let it back to 0 and ramp at {low:.2g} to {high:.2g} N.m a second."
        return Watched(
            code="pace", label="pace", value=pace, unit="N.m/s", is_right=False, words=words
        )
    return Watched(code="pace", label="pace", value=pace, unit="N.m/s", is_right=True, words=right)


def _clamp(moment: _Moment) -> Watched | None:
    """Whether the output stands, where an encoder sees it."""
    values = moment.span.channel("position_output_rad")[1]
    if not moment.is_open or len(values) < LEAST_READINGS:
        return None
    moved = float(np.ptp(values)) / ARCMIN_RAD
    if moved > CLAMP_GIVES_ARCMIN:
        words = "The clamp gives way. Stop the motor first; tighten it, and begin this span again."
    elif moved > CLAMP_HOLDS_ARCMIN:
        words = "The clamp gives a little: the encoder of the output takes it off."
    else:
        words = "the output stands"
    return Watched(
        code="clamp", label="clamp, output moved by", value=moved, unit="'",
        is_right=moved <= CLAMP_GIVES_ARCMIN, words=words, is_grave=moved > CLAMP_GIVES_ARCMIN,
    )  # fmt: skip


def _temperature(moment: _Moment) -> Watched | None:
    """How much the joint warmed or cooled meanwhile."""
    for name in ("temperature_winding_degC", "temperature_housing_degC"):
        values = moment.span.channel(name)[1]
        if len(values) >= LEAST_READINGS:
            ends = max(len(values) // 10, 1)
            change = float(np.median(values[-ends:]) - np.median(values[:ends]))
            is_right = abs(change) <= WARMER_K
            trend = "warmed" if change > 0.0 else "cooled"
            words = (
                f"below {WARMER_K:g} K"
                if is_right
                else f"It {trend} meanwhile, and torque and friction with it: let it rest, and go "
                "on at like temperature."
            )
            return Watched(
                code="temperature", label="warmer by", value=change, unit="K",
                is_right=is_right, words=words,
            )  # fmt: skip
    return None


def _still(moment: _Moment) -> Watched | None:
    """Whether the joint stands, so that a reading is of one thing."""
    values = moment.newest("position_rad", STILL_S)[1]
    if len(values) < LEAST_READINGS:
        return None
    moved = float(np.ptp(values)) / ARCMIN_RAD
    step = moment.span.grids.get("position_rad", 0.0) / ARCMIN_RAD
    is_right = moved <= max(STILL_ARCMIN, 3.0 * step)
    words = "It stands: read now." if is_right else "It still moves: read when it stands."
    return Watched(
        code="still", label="moved within a second", value=moved, unit="'",
        is_right=is_right, words=words,
    )  # fmt: skip


def _steady(moment: _Moment) -> Watched | None:
    """Whether the speed is even; nothing while it turns around."""
    speed = moment.newest("speed_rad_s", STILL_S)[1]
    if len(speed) < LEAST_READINGS:
        return None
    size = float(np.abs(np.median(speed)))
    typical = float(np.quantile(np.abs(moment.span.channel("speed_rad_s")[1]), 0.9))
    if size <= 0.2 * typical or np.ptp(np.sign(speed)) > 0.0:
        return None
    off = float(np.std(speed)) / size
    is_right = off <= STEADY_SHARE
    words = (
        f"even to {100.0 * STEADY_SHARE:.0f} %"
        if is_right
        else "The speed is not even: give the pass a longer way, or less speed."
    )
    return Watched(
        code="steady", label="speed is off by", value=100.0 * off, unit="%",
        is_right=is_right, words=words,
    )  # fmt: skip


_RULES: Final[dict[str, Callable[[_Moment], Watched | None]]] = {
    "pace": _pace,
    "clamp": _clamp,
    "temperature": _temperature,
    "still": _still,
    "steady": _steady,
}
