"""Ambient temperatures that a person read off and typed with their times. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Ints, to_ns
from replay.heat.trace import SensorCounts, SensorPlace

__all__ = ["DATED_UNCERTAINTY_K", "NEAREST_S", "DatedReading", "dated_counts", "far_reading"]

DATED_UNCERTAINTY_K: Final = 0.5
"""Standard uncertainty of one reading."""
NEAREST_S: Final = 600.0
"""How far from a load a reading may lie: within it a room drifts by less than a reading is off."""
_RESOLUTION_K: Final = 0.1
"""Of what is typed; its uncertainty is far wider."""


@dataclass(frozen=True, slots=True)
class DatedReading:
    """One temperature of the room, and when it was read."""

    time_ns: int
    degC: float  # noqa: N815 - the unit's own spelling


def far_reading(
    readings: Sequence[DatedReading], steps_ns: Ints, width_ns: int
) -> DatedReading | None:
    """Return the first reading with no step of the load near it; None where each has one.

    `steps_ns`: begin of each step, increasing.
    """
    for one in readings:
        step = _nearest_step(one.time_ns, steps_ns, width_ns)
        if _distance_ns(one.time_ns, int(steps_ns[step]), width_ns) > to_ns(NEAREST_S):
            return one
    return None


def dated_counts(readings: Sequence[DatedReading], steps_ns: Ints, width_ns: int) -> SensorCounts:
    """Return readings as those of an ambient sensor, each in the step of the load nearest to it."""
    ordered = sorted(readings, key=lambda one: one.time_ns)
    step = np.array([_nearest_step(one.time_ns, steps_ns, width_ns) for one in ordered], np.int64)
    since_ns = np.array([one.time_ns for one in ordered], np.int64) - steps_ns[step]
    return SensorCounts(
        place=SensorPlace.AMBIENT,
        resolution_K=_RESOLUTION_K,
        step=step,
        fraction=np.clip(since_ns / width_ns, 0.0, 1.0),
        value_degC=np.array([one.degC for one in ordered], float),
        n=np.ones(len(ordered)),
        noise_K=DATED_UNCERTAINTY_K,
    )


def _nearest_step(time_ns: int, steps_ns: Ints, width_ns: int) -> int:
    at = int(np.searchsorted(steps_ns, time_ns, "right"))
    near = [one for one in (at - 1, at) if 0 <= one < len(steps_ns)]
    return min(near, key=lambda one: _distance_ns(time_ns, int(steps_ns[one]), width_ns))


def _distance_ns(time_ns: int, begin_ns: int, width_ns: int) -> int:
    return max(begin_ns - time_ns, time_ns - (begin_ns + width_ns), 0)
