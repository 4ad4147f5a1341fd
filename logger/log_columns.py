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
    """What n messages said, a list for each field."""

    stamp_s: list[float] = field(default_factory=list)
    identifier: list[int] = field(default_factory=list)
    extended: list[bool] = field(default_factory=list)
    remote: list[bool] = field(default_factory=list)
    error: list[bool] = field(default_factory=list)
    fd: list[bool] = field(default_factory=list)
    received: list[bool] = field(default_factory=list)
    channel: list[object] = field(default_factory=list)
    data: list[bytes | bytearray] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.stamp_s)

    def take(self, messages: list[can.Message]) -> None:
        """Add messages, in order."""
        if not messages:
            return
        stamp_s, identifier, extended, remote, error, fd, received, channel, data = zip(
            *map(_FIELDS, messages), strict=True
        )
        self.stamp_s += stamp_s
        self.identifier += identifier
        self.extended += extended
        self.remote += remote
        self.error += error
        self.fd += fd
        self.received += received
        self.channel += channel
        if True in remote:
            # A remote frame carries nothing: as many zeros stand for the length it asks for.
            self.data += [
                bytes(min(message.dlc, 8)) if message.is_remote_frame else message.data
                for message in messages
            ]
        else:
            self.data += data

    def stamps_ns(self) -> NDArray[np.int64]:
        """Return the stamps in nanoseconds; 0, which nobody believes, for nonsense."""
        stamp_s = np.array(self.stamp_s, np.float64)
        with np.errstate(invalid="ignore"):
            sane = (stamp_s >= 0.0) & (stamp_s < 9e9)
        return np.rint(np.where(sane, stamp_s, 0.0) * 1e9).astype(np.int64)

    def batch(self, time_ns: NDArray[np.int64], bus: NDArray[np.uint8]) -> FrameBatch:
        """Return the frames; raises ValueError where a payload is longer than a frame can be."""
        n = len(self)
        length = np.fromiter(map(len, self.data), np.int64, n)
        longest = int(length.max(initial=0))
        if longest > 64:
            raise ValueError(f"a frame of {longest} bytes")
        width = 8 if longest <= 8 else 64
        content = np.frombuffer(b"".join(self.data), np.uint8)
        if longest == width and n * width == len(content):
            data = content.reshape(n, width)
        else:
            data = np.zeros((n, width), np.uint8)
            data[np.arange(width) < length[:, None]] = content
        return FrameBatch(
            time_ns=time_ns,
            identifier=np.array(self.identifier, np.uint32),
            flags=self._flags(),
            length=length.astype(np.uint8),
            data=data,
            bus=bus,
        )

    def _flags(self) -> NDArray[np.uint8]:
        flags = np.zeros(len(self), np.uint8)
        for flag, column in (
            (EXTENDED, self.extended),
            (REMOTE, self.remote),
            (ERROR, self.error),
            (FD, self.fd),
        ):
            if True in column:
                flags |= np.array(column, bool) * np.uint8(flag)
        if False in self.received:
            flags |= ~np.array(self.received, bool) * np.uint8(SENT)
        return flags


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
        columns.take(few)
        if fault is not None or len(few) < AT_ONCE:
            return columns, fault
    return columns, None
