"""Messages of a log as columns, a few at a time: their frames, and the channels that they name."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Final

import can

from logger.bus.opening import batch_of
from logger.joint.batch import FrameBatch

__all__ = ["BATCH", "Columns", "gather"]

BATCH: Final = 16_384
"""Messages in a batch."""
AT_ONCE: Final = 512
"""Messages that live at one time: fewer than call up the garbage collector."""


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
        self.frames.append(batch_of(messages))
        self.channel += [message.channel for message in messages]

    def batch(self) -> FrameBatch:
        """Return all frames with their own stamps, as of the first bus."""
        return FrameBatch.joined(self.frames)


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
