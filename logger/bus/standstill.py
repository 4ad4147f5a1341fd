"""Spans in which a bus should have been read and was not: paused, swapped out, suspended, starved.

The receiving thread waits for a known time at most. Where more of the recording's time went by
between two looks at the clocks, nothing was received in between, and what the joints sent or were
not asked meanwhile says nothing about them. Pure: clock samples come in.
"""

from dataclasses import dataclass
from typing import Final

from logger.bus.clock import ClockSample

__all__ = ["STANDSTILL_NS", "Standstill", "StandstillWatch"]

STANDSTILL_NS: Final = 200_000_000
"""From here on one is told: a terminal's 4,096 bytes hold 0.19 s of a thousand frames a second."""
SUSPEND_NS: Final = 500_000_000
"""So much boot time without monotonic time is a suspend, and no reading of clocks one by one."""
STAMP_TOLERANCE_NS: Final = 1_000_000
"""Frames stamped when it went on lie after it, although another clock stamps them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standstill:
    """A span in which a bus was not read; times in ns by the clock that the samples give."""

    start_ns: int
    """The last instant at which receiving is known to have run."""
    end_ns: int
    """No frame that was received after it is older."""
    is_suspend: bool = False
    """Whether the machine was suspended."""
    is_loss_counted: bool = False
    """Whether every frame of it was kept for the reader, or is counted as dropped elsewhere."""

    @property
    def duration_ns(self) -> int:
        """How long it lasted."""
        return self.end_ns - self.start_ns


class StandstillWatch:
    """Looks at the clocks of one receiving thread."""

    def __init__(self) -> None:
        self._newest: ClockSample | None = None

    def reset(self, sample: ClockSample | None = None) -> None:
        """Begin anew at `sample`; None: at the next one."""
        self._newest = sample

    def note(self, sample: ClockSample, *, excused_ns: int = 0) -> Standstill | None:
        """Take a sample; return the standstill since the one before, on the boot time.

        `excused_ns`: time that the thread meant to wait, or was held up by an adapter.
        """
        previous, self._newest = self._newest, sample
        if previous is None:
            return None
        passed_ns = sample.boottime_ns - previous.boottime_ns
        if passed_ns - excused_ns < STANDSTILL_NS:
            return None
        asleep_ns = passed_ns - (sample.monotonic_ns - previous.monotonic_ns)
        return Standstill(
            start_ns=previous.boottime_ns,
            end_ns=sample.boottime_ns - STAMP_TOLERANCE_NS,
            is_suspend=asleep_ns > SUSPEND_NS,
        )
