"""The result of one read of a bus, the same for every interface. Pure data."""

from dataclasses import dataclass
from typing import Final, Protocol, runtime_checkable

from logger.joint.batch import FrameBatch

__all__ = ["MAX_FRAMES_AT_ONCE", "CollectingReader", "FrameReader", "ReadResult"]

MAX_FRAMES_AT_ONCE: Final = 4000
"""Frames, or lines, of one read: the receiving thread has other work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadResult:
    """The result of one read; `time_ns` of the frames are the adapter's own stamps.

    Those of a `CollectingReader` are by the clock that its stamps come from.
    """

    frames: FrameBatch
    drained: bool
    """Nothing was left to read."""
    garbled: int = 0
    """Lines or frames that could not be read."""
    may_have_overrun: bool = True
    """Whether what keeps the frames until they are read may have been full, and dropped some."""
    fault: Exception | None = None
    """Why the bus is lost."""


class FrameReader(Protocol):
    """Takes frames from an open bus."""

    def read_frames(self) -> ReadResult:
        """Return the frames received so far; never waits, never raises."""

    stamps_on_read: bool
    """Whether a frame's time is that of its reading: what is read later is not older."""
    read_delay_s: float
    """For how long a frame may stay unread: the system has stamped it, and keeps it so long."""
    counts_losses: bool
    """Whether `dropped_count` knows of every frame that was lost before it could be read."""

    def dropped_count(self) -> int:
        """Return how many frames the system has dropped since the bus was opened."""


@runtime_checkable
class CollectingReader(FrameReader, Protocol):
    """A reader of bytes that have no time until they are read: they are read at once, parsed later.

    Its frames are stamped by the recording's clock.
    """

    def collect(self, stamp_ns: int) -> bool:
        """Read what is there, as come at `stamp_ns`; return whether there was anything.

        `read_frames` makes frames of it. Never waits, never raises.
        """

    @property
    def has_fault(self) -> bool:
        """Whether the bus was found to be lost: the next `read_frames` says why."""
