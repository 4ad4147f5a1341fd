"""For how long no recorder ran before a recording was resumed, by the clocks that know it. Pure.

The recording's time axis is anchored to the wall clock anew at each resume. The wall clock may have
been set in between, but the steady clock of the same boot has gone on: it says how long the pause
was. After a restart of the machine only the wall clock is left, and where that went back nothing
says it.
"""

import math
from dataclasses import dataclass
from typing import Final

from logger.arrays import to_s
from logger.bus.clock import ClockSample
from logger.store.layout.manifest import ClockAnchor, iso_utc

__all__ = ["Pause", "measure_pause"]

REPORTED_STEP_S: Final = 1.0
"""A difference of the clocks from here on is one that somebody made: a clock drifts less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """The time between two recorders of one recording."""

    duration_s: float
    """NaN: nothing says it."""
    text: str
    """The sentence of the event."""


def measure_pause(
    before: ClockAnchor, now: ClockSample, *, boot_id: str, ended_ns: int, axis_ns: int
) -> Pause:
    """Return the pause from `ended_ns`, on the axis of the anchor `before`, until now.

    Parameters
    ----------
    before
        The anchor of the recorder that ended.
    now
        The clocks where the recording is resumed.
    boot_id
        Of the present boot; "" where it is not known.
    ended_ns
        When the previous recorder ended, on the recording's axis.
    axis_ns
        Now on the recording's axis as it goes on; never before `ended_ns`.
    """
    since = f"nothing recorded since {iso_utc(ended_ns)}"
    ended_boottime_ns = before.boottime_ns + ended_ns - before.wall_ns
    wall_s = to_s(now.wall_ns - ended_ns)
    if boot_id and before.boot_id == boot_id and now.boottime_ns >= ended_boottime_ns:
        steady_s = to_s(now.boottime_ns - ended_boottime_ns)
        step_s = wall_s - steady_s
        clock = ""
        if abs(step_s) > REPORTED_STEP_S:
            direction = "forward" if step_s > 0 else "back"
            clock = (
                f" by the steady clock; the wall clock was set {direction} by {abs(step_s):.1f} s"
            )
        return Pause(
            duration_s=steady_s,
            text=f"Recording resumed after {steady_s:.1f} s without a recorder{clock} ({since}).",
        )
    if wall_s < 0:
        has_restarted = boot_id != before.boot_id and "" not in {boot_id, before.boot_id}
        why = "the machine restarted" if has_restarted else "no other clock tells"
        return Pause(
            duration_s=math.nan,
            text="Recording resumed after an unknown time without a recorder: the wall clock was "
            f"set back, by more than {-wall_s:.1f} s, and {why} ({since}).",
        )
    pause_s = to_s(axis_ns - ended_ns)
    return Pause(
        duration_s=pause_s,
        text=f"Recording resumed after {pause_s:.1f} s without a recorder ({since}).",
    )
