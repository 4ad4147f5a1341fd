"""Messages of a log as columns, a batch at a time: their frames, and the channels they name."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Final

import can
import numpy as np

from logger.bus.opening import to_batch
from logger.importing.log_stamps import StampReader
from logger.joint.batch import FrameBatch

__all__ = ["BATCH_MESSAGES", "MessageBatch", "read_message_batch", "read_whole_batch"]

BATCH_MESSAGES: Final = 16_384
"""Messages in a batch."""
MESSAGES_AT_ONCE: Final = 512
"""Messages that are alive at one time: too few to trigger the garbage collector."""


@dataclass(slots=True, kw_only=True)
class MessageBatch:
    """The frames of n messages, with the timestamps of the log, and their channels."""

    frames: list[FrameBatch] = field(default_factory=list)
    channels: list[object] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.channels)

    def append_messages(
        self, messages: list[can.Message], stamps_ns: list[int] | None = None
    ) -> None:
        """Add messages, in order; raises ValueError or OverflowError for what is no CAN frame.

        `stamps_ns`: the time of each; None: their own, which are floats.
        """
        if not messages:
            return
        frames = to_batch(messages)
        if stamps_ns is not None:
            frames = replace(frames, time_ns=np.array(stamps_ns, np.int64))
        self.frames.append(frames)
        self.channels += [message.channel for message in messages]

    def to_frame_batch(self) -> FrameBatch:
        """Return all frames with the timestamps of the log, all on bus 0."""
        return FrameBatch.concatenate(self.frames)


def read_message_batch(
    messages: Iterator[can.Message], stamp_of: StampReader | None = None
) -> tuple[MessageBatch, Exception | None]:
    """Return up to `BATCH_MESSAGES` messages as columns, and the error that ended the reading.

    None for it otherwise; fewer messages without an error are the end of the log. `stamp_of`: reads
    the time of each message; None: it is the message's own.
    """
    columns = MessageBatch()
    while len(columns) < BATCH_MESSAGES:
        some_messages: list[can.Message] = []
        stamps_ns: list[int] | None = None if stamp_of is None else []
        fault: Exception | None = None
        try:
            if stamp_of is None or stamps_ns is None:
                some_messages.extend(islice(messages, MESSAGES_AT_ONCE))
            else:
                for message in islice(messages, MESSAGES_AT_ONCE):
                    stamps_ns.append(stamp_of(message))
                    some_messages.append(message)
        except Exception as raised:  # noqa: BLE001 - a reader raises whatever its parsing meets
            fault = raised
        try:
            columns.append_messages(some_messages, stamps_ns)
        except (ValueError, OverflowError) as odd:
            return columns, ValueError(
                f"one of the next {len(some_messages)} messages is no CAN frame, {odd}"
            )
        if fault is not None or len(some_messages) < MESSAGES_AT_ONCE:
            return columns, fault
    return columns, None


def read_whole_batch(
    messages: Iterator[can.Message], stamp_of: StampReader | None = None
) -> tuple[MessageBatch, Exception | None]:
    """Return all messages there are, however many, as `read_message_batch` does."""
    columns, fault = read_message_batch(messages, stamp_of)
    while fault is None:
        more, fault = read_message_batch(messages, stamp_of)
        if len(more) == 0:
            break
        columns.frames += more.frames
        columns.channels += more.channels
    return columns, fault
