"""Messages of python-can as columns: the fast way to what `row_of` gives message by message.

Fields are fetched many messages at a time, and flags that no message has cost next to nothing. That
it is the same as the slow way is a property test.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from operator import attrgetter
from typing import Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch

__all__ = ["BATCH", "Columns", "gather"]

BATCH: Final = 16_384
"""Messages in a batch."""
AT_ONCE: Final = 512
"""Messages that live at one time: fewer than call up the garbage collector."""

_FIELDS: Final = attrgetter(
    "timestamp",
    "arbitration_id",
    "is_extended_id",
    "is_remote_frame",
    "is_error_frame",
    "is_fd",
    "is_rx",
    "channel",
    "data",
)


@dataclass(slots=True, kw_only=True)
class Columns:
    """What n messages said: their frames with their own stamps, and their channels."""

    frames: list[FrameBatch] = field(default_factory=list)
    channel: list[object] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.channel)

    def take(self, messages: list[can.Message]) -> None:
        """Add messages, in order; raises ValueError or OverflowError for what is no CAN frame."""
        if not messages:
            return
        stamp_s, identifier, extended, remote, error, fd, received, channel, data = zip(
            *map(_FIELDS, messages), strict=True
        )
        if True in remote:
            # A remote frame carries nothing: as many zeros stand for the length it asks for.
            data = tuple(
                bytes(min(message.dlc, 8)) if message.is_remote_frame else message.data
                for message in messages
            )
        n = len(messages)
        flags = np.zeros(n, np.uint8)
        for flag, column in ((EXTENDED, extended), (REMOTE, remote), (ERROR, error), (FD, fd)):
            if True in column:
                flags |= np.array(column, bool) * np.uint8(flag)
        if False in received:
            flags |= ~np.array(received, bool) * np.uint8(SENT)
        length, payload = _payloads(data)
        self.frames.append(
            FrameBatch(
                time_ns=_stamps_ns(stamp_s),
                identifier=np.array(identifier, np.uint32),
                flags=flags,
                length=length,
                data=payload,
                bus=np.zeros(n, np.uint8),
            )
        )
        self.channel += channel

    def batch(self) -> FrameBatch:
        """Return all frames with their own stamps, as of the first bus."""
        return FrameBatch.joined(self.frames)


def _stamps_ns(stamps_s: tuple[float, ...]) -> NDArray[np.int64]:
    """Return the stamps in nanoseconds; 0, which nobody believes, for nonsense."""
    stamp_s = np.array(stamps_s, np.float64)
    with np.errstate(invalid="ignore"):
        sane = (stamp_s >= 0.0) & (stamp_s < 9e9)
    return np.rint(np.where(sane, stamp_s, 0.0) * 1e9).astype(np.int64)


def _payloads(
    payloads: tuple[bytes | bytearray, ...],
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return lengths and a matrix of the payloads, zero beyond each."""
    n = len(payloads)
    length = np.fromiter(map(len, payloads), np.int64, n)
    longest = int(length.max())
    if longest > 64:
        raise ValueError(f"a frame of {longest} bytes")
    width = 8 if longest <= 8 else 64
    content = np.frombuffer(b"".join(payloads), np.uint8)
    if n * width == len(content):
        return length.astype(np.uint8), content.reshape(n, width)
    data = np.zeros((n, width), np.uint8)
    data[np.arange(width) < length[:, None]] = content
    return length.astype(np.uint8), data


def gather(messages: Iterator[can.Message]) -> tuple[Columns, Exception | None]:
    """Return up to BATCH messages as columns, and what ended the reading before.

    Fewer than BATCH and no fault: the end.
    """
    columns = Columns()
    while len(columns) < BATCH:
        few: list[can.Message] = []
        fault: Exception | None = None
        try:
            few.extend(islice(messages, AT_ONCE))
        except Exception as met:  # noqa: BLE001 - a reader raises whatever its parsing meets
            fault = met
        try:
            columns.take(few)
        except (ValueError, OverflowError) as odd:
            return columns, ValueError(f"among the next {len(few)} stands no CAN frame, {odd}")
        if fault is not None or len(few) < AT_ONCE:
            return columns, fault
    return columns, None
