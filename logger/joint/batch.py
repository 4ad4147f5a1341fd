"""Frames and readings as column arrays: how everything travels.

A frame is what the bus gave; a reading is one decoded row of one joint. Both are immutable batches
of numpy columns of equal length, in order of time. Pure.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CLASSIC_BYTES",
    "ERROR",
    "EXTENDED",
    "FD",
    "PAYLOAD_LENGTHS",
    "REMOTE",
    "SENT",
    "FrameBatch",
    "ReadingBatch",
    "is_node_frame",
]

CLASSIC_BYTES: Final = 8
"""The most that a frame carries that is not CAN FD."""
PAYLOAD_LENGTHS: Final = (*range(CLASSIC_BYTES + 1), 12, 16, 20, 24, 32, 48, 64)
"""Bytes of a frame by its length code; those above eight are CAN FD's."""

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
    bus: NDArray[np.uint8]
    """Index of the bus in the bench on which each was received, from 0."""

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
            bus=np.empty(0, np.uint8),
        )

    @classmethod
    def from_rows(
        cls, frames: Sequence[tuple[int, int, int, bytes]], *, bus: int = 0
    ) -> "FrameBatch":
        """Return a batch of (time_ns, identifier, flags, payload) rows, all received on one bus."""
        if not frames:
            return cls.empty()
        times, identifiers, flags, payloads = zip(*frames, strict=True)
        return cls.from_columns(
            time_ns=np.array(times, np.int64),
            identifier=np.array(identifiers, np.uint32),
            flags=np.array(flags, np.uint8),
            payloads=payloads,
            bus=bus,
        )

    @classmethod
    def from_columns(
        cls,
        *,
        time_ns: NDArray[np.int64],
        identifier: NDArray[np.uint32],
        flags: NDArray[np.uint8],
        payloads: Sequence[bytes | bytearray],
        bus: int = 0,
    ) -> "FrameBatch":
        """Return a batch of columns of n >= 1 frames received on one bus, payloads as they come."""
        n = len(payloads)
        length = np.fromiter(map(len, payloads), np.int64, n)
        longest = int(length.max())
        if longest > 64:
            raise ValueError(f"found a frame of {longest} bytes, expected at most 64")
        width = 8 if longest <= 8 else 64
        # One join and one copy: a call for each frame would cost more than receiving it.
        joined = b"".join(payloads)
        if len(joined) != n * width:
            joined = b"".join([payload.ljust(width, b"\0") for payload in payloads])
        return cls(
            time_ns=time_ns,
            identifier=identifier,
            flags=flags,
            length=length.astype(np.uint8),
            data=np.frombuffer(joined, np.uint8).reshape(n, width),
            bus=np.full(n, bus, np.uint8),
        )

    @classmethod
    def concatenate(cls, batches: Sequence["FrameBatch"]) -> "FrameBatch":
        """Return batches end to end."""
        if len(batches) <= 1:
            return batches[0] if batches else cls.empty()
        width = max(batch.data.shape[1] for batch in batches)
        return cls(
            time_ns=np.concatenate([batch.time_ns for batch in batches]),
            identifier=np.concatenate([batch.identifier for batch in batches]),
            flags=np.concatenate([batch.flags for batch in batches]),
            length=np.concatenate([batch.length for batch in batches]),
            data=np.concatenate([_widened(batch.data, width) for batch in batches]),
            bus=np.concatenate([batch.bus for batch in batches]),
        )

    def select_rows(self, rows: NDArray[np.intp] | NDArray[np.bool_] | slice) -> "FrameBatch":
        """Return the chosen rows, in the order chosen."""
        return FrameBatch(
            time_ns=self.time_ns[rows],
            identifier=self.identifier[rows],
            flags=self.flags[rows],
            length=self.length[rows],
            data=self.data[rows],
            bus=self.bus[rows],
        )


def _widened(data: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """Return payloads with zeros up to a width; those that have it as they are."""
    lacking = width - data.shape[1]
    return np.pad(data, ((0, 0), (0, lacking))) if lacking else data


def is_node_frame(frames: FrameBatch) -> NDArray[np.bool_]:
    """Return which of n frames a node sent, shape (n,): data and remote frames.

    What is counted as frames a second, everywhere. An error frame is what the adapter tells of the
    bus: no node sent it, it has no identifier, and a bus that nobody answers is full of them. Error
    frames are counted by themselves.
    """
    is_of_node: NDArray[np.bool_] = (frames.flags & ERROR) == 0
    return is_of_node


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

    @classmethod
    def concatenate(
        cls, batches: Sequence["ReadingBatch"], *, channels: Sequence[str]
    ) -> "ReadingBatch":
        """Return batches of one joint end to end, with some of their channels."""
        return cls(
            joint=batches[0].joint,
            time_ns=np.concatenate([batch.time_ns for batch in batches]),
            position_segment=np.concatenate([batch.position_segment for batch in batches]),
            columns={
                name: np.concatenate([batch.columns[name] for batch in batches])
                for name in channels
            },
        )

    def channel_series(self, channel: str) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return times and values of the rows that carry `channel`."""
        values = self.columns.get(channel)
        if values is None:
            return np.empty(0, np.int64), np.empty(0, np.float64)
        has_value = ~np.isnan(values)
        return self.time_ns[has_value], values[has_value]

    def select_rows(self, rows: NDArray[np.intp] | NDArray[np.bool_] | slice) -> "ReadingBatch":
        """Return the chosen rows, in the order chosen."""
        return ReadingBatch(
            joint=self.joint,
            time_ns=self.time_ns[rows],
            position_segment=self.position_segment[rows],
            columns={name: values[rows] for name, values in self.columns.items()},
        )
