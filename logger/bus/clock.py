"""One time axis for a recording, whatever the wall clock does.

The axis is CLOCK_BOOTTIME, anchored to the wall clock once at the start: it goes on through a
suspend and is not moved by a clock step. Stamps that adapters take from the wall clock are mapped
to it by the present offset. Steps are reported, so that they become events; a suspend is a
standstill (`standstill`). Only `read_clocks` and `read_boot_id` ask the system; everything else is
arithmetic.
"""

import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_s

__all__ = ["ClockSample", "RecordingClock", "read_boot_id", "read_clocks"]

REPORTED_STEP_NS: Final = 50_000_000
MAX_STAMP_AGE_NS: Final = 2_000_000_000
"""A stamp further back than this was not taken from the wall clock as it is now."""
_BOOT_ID_FILE: Final = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSample:
    """The three clocks at (nearly) one instant."""

    boottime_ns: int
    monotonic_ns: int
    """Does not advance during a suspend, unlike the boot time."""
    wall_ns: int


def read_clocks() -> ClockSample:
    """Read the system's clocks."""
    boottime = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return ClockSample(
        boottime_ns=time.clock_gettime_ns(boottime),
        monotonic_ns=time.clock_gettime_ns(time.CLOCK_MONOTONIC),
        wall_ns=time.time_ns(),
    )


def read_boot_id() -> str:
    """Return the id that the system drew at its boot; "" where it has none.

    Boot times of two readings can be compared where it is the same.
    """
    with suppress(OSError, ValueError):
        return _BOOT_ID_FILE.read_text(encoding="ascii").strip()
    return ""


class RecordingClock:
    """The recording's time; never runs backwards."""

    def __init__(self, anchor: ClockSample) -> None:
        self.anchor = anchor
        self._previous_sample = anchor
        self._latest_ns = anchor.wall_ns

    def time_at(self, sample: ClockSample) -> int:
        """Return the time on the axis at a reading of the clocks."""
        return self.anchor.wall_ns + sample.boottime_ns - self.anchor.boottime_ns

    def map_stamps(
        self, stamps_ns: NDArray[np.int64], sample: ClockSample, *, unread_ns: int = 0
    ) -> NDArray[np.int64]:
        """Return wall-clock stamps (shape (n,), in order of receipt) on the axis, non-decreasing.

        A stamp that the wall clock as it is now cannot have given (of a device's own clock, or
        taken before a step) counts as now. `unread_ns`: for how long nobody took what was stamped.
        """
        now_ns = self.time_at(sample)
        mapped = stamps_ns - (sample.wall_ns - now_ns)
        believable = (mapped <= now_ns) & (mapped > now_ns - MAX_STAMP_AGE_NS - unread_ns)
        times = np.maximum.accumulate(
            np.maximum(np.where(believable, mapped, now_ns), self._latest_ns)
        )
        if len(times):
            self._latest_ns = int(times[-1])
        return times

    def clock_changes(self, sample: ClockSample) -> list[str]:
        """Return the steps since the last call, in words."""
        previous, self._previous_sample = self._previous_sample, sample
        boottime_ns = sample.boottime_ns - previous.boottime_ns
        step_ns = sample.wall_ns - previous.wall_ns - boottime_ns
        changes = []
        if abs(step_ns) > REPORTED_STEP_NS:
            direction = "forward" if step_ns > 0 else "back"
            changes.append(
                f"The wall clock was set {direction} by {to_s(abs(step_ns)):.3f} s; the "
                "recording's time goes on without the step."
            )
        return changes
