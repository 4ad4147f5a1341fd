"""Readings of load and speed as steps: what was held, and from when until when. Pure."""

from dataclasses import dataclass

import numpy as np

from logger.arrays import Floats, Ints, to_s

__all__ = ["HeldSteps", "held_steps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSteps:
    """n steps in order of time, each array of shape (n,); between two that do not touch is a gap.

    A load holds until the next reading of it, at most for its hold.
    """

    begin_ns: Ints
    end_ns: Ints
    load: Floats
    """In N.m, or A."""
    speed: Floats
    """In rad/s; NaN where none was held."""

    @property
    def duration_s(self) -> Floats:
        """How long each load was held."""
        return to_s(self.end_ns - self.begin_ns)

    def until(self, end_ns: int) -> "HeldSteps":
        """Return what lies before an instant, the step that it lies in cut there."""
        kept = self.begin_ns < end_ns
        return HeldSteps(
            begin_ns=self.begin_ns[kept],
            end_ns=np.minimum(self.end_ns[kept], end_ns),
            load=self.load[kept],
            speed=self.speed[kept],
        )


def held_steps(
    time_ns: Ints,
    load: Floats,
    speed: Floats | None,
    *,
    load_hold_ns: int,
    speed_hold_ns: int,
    start_ns: int,
    end_ns: int,
) -> HeldSteps:
    """Return the steps within [start_ns, end_ns).

    Parameters
    ----------
    time_ns, load, speed
        Rows in order of time, of which those before the span may hold into it; NaN in a row that
        does not carry the channel. Speed None: never carried.
    """
    if not len(time_ns):
        none = np.empty(0)
        no_times = np.empty(0, np.int64)
        return HeldSteps(begin_ns=no_times, end_ns=no_times, load=none, speed=none)
    value, until = _held(time_ns, load, load_hold_ns)
    begin = np.maximum(time_ns, start_ns)
    end = np.minimum(np.minimum(np.append(time_ns[1:], end_ns), until), end_ns)
    kept = end > begin
    if speed is None:
        turning = np.full(len(time_ns), np.nan)
    else:
        turning, turning_until = _held(time_ns, speed, speed_hold_ns)
        turning = np.where(turning_until > begin, turning, np.nan)
    return HeldSteps(begin_ns=begin[kept], end_ns=end[kept], load=value[kept], speed=turning[kept])


def _held(time_ns: Ints, value: Floats, hold_ns: int) -> tuple[Floats, Ints]:
    """Return what is held from each row on, and until when at most; NaN before the first value."""
    has_own = np.isfinite(value)
    newest = np.maximum.accumulate(np.where(has_own, np.arange(len(value)), -1))
    is_known = newest >= 0
    held = np.where(is_known, value[newest], np.nan)
    return held, np.where(is_known, time_ns[newest] + hold_ns, time_ns)
