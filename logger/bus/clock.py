"""One time axis for a recording, whatever the wall clock does.

The axis is CLOCK_BOOTTIME, anchored to the wall clock once at the start: it goes on through a
suspend and is not moved by a clock step. Stamps that adapters take from the wall clock are mapped
to it by the present offset. Steps and suspends are told, so that they become events. Only
`read_clocks` asks the system; everything else is arithmetic.
"""

import time
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Axis", "Reading", "read_clocks"]

NOTABLE_STEP_NS: Final = 50_000_000
NOTABLE_SUSPEND_NS: Final = 500_000_000
OLDEST_STAMP_NS: Final = 2_000_000_000
"""A stamp further back than this was not taken from the wall clock as it is now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The three clocks at (nearly) one instant."""

    boottime_ns: int
    monotonic_ns: int
    """Stands still during a suspend, unlike the boot time."""
    wall_ns: int


def read_clocks() -> Reading:
    """Read the system's clocks."""
    boottime = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return Reading(
        boottime_ns=time.clock_gettime_ns(boottime),
        monotonic_ns=time.clock_gettime_ns(time.CLOCK_MONOTONIC),
        wall_ns=time.time_ns(),
    )


class Axis:
    """The recording's time; never runs backwards."""

    def __init__(self, anchor: Reading) -> None:
        self.anchor = anchor
        self._before = anchor
        self._latest_ns = anchor.wall_ns

    def at(self, reading: Reading) -> int:
        """Return the time on the axis at a reading of the clocks."""
        return self.anchor.wall_ns + reading.boottime_ns - self.anchor.boottime_ns

    def stamped(self, stamps_ns: NDArray[np.int64], reading: Reading) -> NDArray[np.int64]:
        """Return wall-clock stamps (shape (n,), in order of receipt) on the axis, non-decreasing.

        A stamp that the wall clock as it is now cannot have given (of a device's own clock, or
        taken before a step) counts as now.
        """
        now_ns = self.at(reading)
        mapped = stamps_ns - (reading.wall_ns - now_ns)
        believable = (mapped <= now_ns) & (mapped > now_ns - OLDEST_STAMP_NS)
        times = np.maximum.accumulate(
            np.maximum(np.where(believable, mapped, now_ns), self._latest_ns)
        )
        if len(times):
            self._latest_ns = int(times[-1])
        return times

    def oddities(self, reading: Reading) -> list[str]:
        """Return what the clocks did since the last call: steps and suspends, in words."""
        before, self._before = self._before, reading
        boottime_ns = reading.boottime_ns - before.boottime_ns
        step_ns = reading.wall_ns - before.wall_ns - boottime_ns
        suspended_ns = boottime_ns - (reading.monotonic_ns - before.monotonic_ns)
        said = []
        if suspended_ns > NOTABLE_SUSPEND_NS:
            said.append(f"The machine was suspended for {suspended_ns * 1e-9:.1f} s.")
        if abs(step_ns) > NOTABLE_STEP_NS:
            way = "forward" if step_ns > 0 else "back"
            said.append(
                f"The wall clock was set {way} by {abs(step_ns) * 1e-9:.3f} s; the recording's "
                "time goes on without the step."
            )
        return said
