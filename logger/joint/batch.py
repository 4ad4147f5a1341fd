"""Frames and readings as column arrays: how everything travels.

A frame is what the bus gave; a reading is one decoded row of one joint. Both are immutable batches
of numpy columns of equal length, in order of time. Pure.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["ERROR", "EXTENDED", "FD", "REMOTE", "SENT", "FrameBatch", "ReadingBatch"]

EXTENDED: Final = 1
"""Flag: 29-bit identifier."""
REMOTE: Final = 2
ERROR: Final = 4
FD: Final = 8
"""Flag: CAN FD frame."""
SENT: Final = 16
"""Flag: this program sent it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameBatch:
    """n frames; every array has length n, `data` the shape (n, 8) or, with CAN FD, (n, 64)."""

    time_ns: NDArray[np.int64]
    """Nanoseconds since the epoch on the recording's clock, non-decreasing."""
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    """Bytes in the payload."""
    data: NDArray[np.uint8]
    """Payload, zero beyond `length`."""

    def __len__(self) -> int:
        return len(self.time_ns)

    @classmethod
    def empty(cls, width: int = 8) -> "FrameBatch":
        """Return a batch of no frames."""
        return cls(
            time_ns=np.empty(0, np.int64),
            identifier=np.empty(0, np.uint32),
            flags=np.empty(0, np.uint8),
            length=np.empty(0, np.uint8),
            data=np.empty((0, width), np.uint8),
        )

    @classmethod
    def of(cls, frames: Sequence[tuple[int, int, int, bytes]]) -> "FrameBatch":
        """Return a batch of (time_ns, identifier, flags, payload) rows."""
        width = 64 if any(len(row[3]) > 8 for row in frames) else 8
        data = np.zeros((len(frames), width), np.uint8)
        for index, row in enumerate(frames):
            data[index, : len(row[3])] = np.frombuffer(row[3], np.uint8)
        return cls(
            time_ns=np.array([row[0] for row in frames], np.int64),
            identifier=np.array([row[1] for row in frames], np.uint32),
            flags=np.array([row[2] for row in frames], np.uint8),
            length=np.array([len(row[3]) for row in frames], np.uint8),
            data=data,
        )

    @classmethod
    def joined(cls, batches: Sequence["FrameBatch"]) -> "FrameBatch":
        """Return batches end to end."""
        if not batches:
            return cls.empty()
        width = max(batch.data.shape[1] for batch in batches)
        return cls(
            time_ns=np.concatenate([batch.time_ns for batch in batches]),
            identifier=np.concatenate([batch.identifier for batch in batches]),
            flags=np.concatenate([batch.flags for batch in batches]),
            length=np.concatenate([batch.length for batch in batches]),
            data=np.concatenate(
                [
                    np.pad(batch.data, ((0, 0), (0, width - batch.data.shape[1])))
                    for batch in batches
                ]
            ),
        )

    def taken(self, rows: NDArray[np.intp] | NDArray[np.bool_] | slice) -> "FrameBatch":
        """Return the chosen rows, in the order chosen."""
        return FrameBatch(
            time_ns=self.time_ns[rows],
            identifier=self.identifier[rows],
            flags=self.flags[rows],
            length=self.length[rows],
            data=self.data[rows],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingBatch:
    """n readings of one joint: one row per status frame, NaN where the frame lacks a channel."""

    joint: str
    time_ns: NDArray[np.int64]
    position_segment: NDArray[np.int32]
    """The stretch within which `position_rad` is continuous; -1 where there is no position."""
    columns: Mapping[str, NDArray[np.float64]]
    """Channel name -> values in the channel's unit."""

    def __len__(self) -> int:
        return len(self.time_ns)

    def series(self, channel: str) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return times and values of the rows that carry `channel`."""
        values = self.columns.get(channel)
        if values is None:
            return np.empty(0, np.int64), np.empty(0, np.float64)
        held = ~np.isnan(values)
        return self.time_ns[held], values[held]

    def taken(self, rows: NDArray[np.intp] | NDArray[np.bool_] | slice) -> "ReadingBatch":
        """Return the chosen rows, in the order chosen."""
        return ReadingBatch(
            joint=self.joint,
            time_ns=self.time_ns[rows],
            position_segment=self.position_segment[rows],
            columns={name: values[rows] for name, values in self.columns.items()},
        )
