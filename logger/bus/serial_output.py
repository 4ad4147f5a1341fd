"""Frames to an adapter on a serial line: those that are sent together leave in one write.

python-can says what the line of a frame is; a request is the same line each time, so it is asked
once. It also waits until each line has left, which nobody needs: the receiving thread has other
work. An adapter that takes nothing is not waited for. For one thread.
"""

import os
import select
import time
from collections.abc import Sequence
from typing import Final

import can
from can.interfaces.slcan import slcanBus

from logger.bus.python_can_workarounds import frame_line

__all__ = ["MAX_WRITE_S", "SerialOutput"]

MAX_WRITE_S: Final = 0.05
"""An adapter that takes nothing for so long is not waited for: receiving goes on."""
_MAX_KEPT_LINES: Final = 256


class SerialOutput:
    """Writes to the descriptor of one adapter."""

    def __init__(self, bus: slcanBus, descriptor: int) -> None:
        self._bus = bus
        self._descriptor = descriptor
        self._lines: dict[int, tuple[can.Message, bytes]] = {}
        self._is_line_cut = False

    def write_frames(self, messages: Sequence[can.Message]) -> int:
        """Write frames in order; return how many the adapter took.

        Raises
        ------
        can.CanError, OSError
            A message is no frame of this adapter, or the port is gone.
        """
        lines = [self._line_of(message) for message in messages]
        # What was cut before ends here: it is a line that the adapter cannot read, and no more.
        begin = self._bus.LINE_TERMINATOR if self._is_line_cut else b""
        written = self._write(begin + b"".join(lines)) - len(begin)
        taken = end = 0
        for line in lines:
            if end + len(line) > written:
                break
            end += len(line)
            taken += 1
        self._is_line_cut = written < 0 or written > end
        return taken

    def _line_of(self, message: can.Message) -> bytes:
        kept = self._lines.get(id(message))
        # With the message itself, so that no other one gets its number.
        if kept is None or kept[0] is not message:
            if len(self._lines) >= _MAX_KEPT_LINES:
                self._lines.clear()
            kept = self._lines[id(message)] = message, frame_line(self._bus, message)
        return kept[1]

    def _write(self, content: bytes) -> int:
        """Write, and wait for at most `MAX_WRITE_S` where not all is taken; return the bytes."""
        try:
            written = os.write(self._descriptor, content)
        except BlockingIOError:
            written = 0
        until_s = time.monotonic() + MAX_WRITE_S
        while written < len(content):
            left_s = until_s - time.monotonic()
            if left_s <= 0 or not select.select([], [self._descriptor], [], left_s)[1]:
                break
            try:
                written += os.write(self._descriptor, content[written:])
            except BlockingIOError:
                continue
        return written
