"""Messages of a log as columns, a few at a time: their frames, and the channels that they name."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Final

import can

from logger.bus.opening import to_batch
from logger.joint.batch import FrameBatch

__all__ = ["BATCH_MESSAGES", "MessageBatch", "read_message_batch"]

BATCH_MESSAGES: Final = 16_384
"""Messages in a batch."""
MESSAGES_AT_ONCE: Final = 512
"""Messages that live at one time: fewer than call up the garbage collector."""


@dataclass(slots=True, kw_only=True)
class MessageBatch:
    """What n messages said: their frames with their own stamps, and their channels."""

    frames: list[FrameBatch] = field(default_factory=list)
    channels: list[object] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.channels)

    def append_messages(self, messages: list[can.Message]) -> None:
        """Add messages, in order; raises ValueError or OverflowError for what is no CAN frame."""
        if not messages:
            return
        self.frames.append(to_batch(messages))
        self.channels += [message.channel for message in messages]

    def to_frame_batch(self) -> FrameBatch:
        """Return all frames with their own stamps, as of the first bus."""
        return FrameBatch.concatenate(self.frames)


def read_message_batch(messages: Iterator[can.Message]) -> tuple[MessageBatch, Exception | None]:
    """Return up to BATCH messages as columns, and what ended the reading before.

    Fewer than BATCH and no fault: the end.
    """
    columns = MessageBatch()
    while len(columns) < BATCH_MESSAGES:
        some_messages: list[can.Message] = []
        fault: Exception | None = None
        try:
            some_messages.extend(islice(messages, MESSAGES_AT_ONCE))
        except Exception as met:  # noqa: BLE001 - a reader raises whatever its parsing meets
            fault = met
        try:
            columns.append_messages(some_messages)
        except (ValueError, OverflowError) as odd:
            return columns, ValueError(
                f"among the next {len(some_messages)} stands no CAN frame, {odd}"
            )
        if fault is not None or len(some_messages) < MESSAGES_AT_ONCE:
            return columns, fault
    return columns, None
