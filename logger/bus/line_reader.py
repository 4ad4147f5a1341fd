"""A microcontroller as the adapter: a python-can bus of frames that a board prints as lines.

    [bus]
    interface = "lines"
    channel   = "/dev/ttyACM0"
    options   = { pattern = "{id} [{length}] {data}", baud = 115200 }

Registered with python-can as the interface "lines", so that other programs can use it as well. It
only listens: a board that prints cannot be told to send.
"""

import select
import time
from collections.abc import Sequence
from typing import Final

import can
import numpy as np
import serial

from logger.bus.board_clock import BoardClock
from logger.bus.line_pattern import LinePattern, Printed, pattern_of
from logger.bus.reader import MOST_AT_ONCE, Taken
from logger.bus.serial_text import AT_ONCE, SerialText
from logger.errors import InputError
from logger.joint.batch import EXTENDED, FD, REMOTE, FrameBatch

__all__ = ["OPTIONS", "LineBus", "LineReader"]

OPTIONS: Final = ("pattern", "baud")
"""What may stand in a bench file's `bus.options`."""
LONGEST_LINE: Final = 500
"""Bytes: more than 64 bytes of CAN FD take as `0xFF, `, and what stands around them."""
LONGEST_SKIP_S: Final = 0.05
"""How long a call of `recv` goes on, past its time, over lines that are no frames."""
_ENDS: Final = b"\n\r"


class LineReader:
    """Takes the frames that a board has printed."""

    def __init__(
        self, descriptor: int, pattern: LinePattern, *, place: int = 0, singly: bool = False
    ) -> None:
        """`singly`: take one line at a time, and leave what is behind it to the descriptor."""
        self._text = SerialText(
            descriptor, ends=_ENDS, longest=LONGEST_LINE, at_once=1 if singly else AT_ONCE
        )
        self._most = 1 if singly else MOST_AT_ONCE
        self._pattern = pattern
        self._place = place
        self._clock = None if pattern.unit_ns is None else BoardClock(pattern.unit_ns)

    def take(self) -> Taken:
        """Return what is there; never waits, never raises."""
        printed: list[Printed] = []
        garbled = looked_at = 0
        while True:
            text = self._text.take()
            garbled += text.endless
            looked_at += len(text.lines)
            # What was under way when listening began is no fault, and no frame either: without
            # its first digit an identifier is another one.
            for line in text.lines[1:] if text.first else text.lines:
                fits = len(line) <= LONGEST_LINE
                one = self._pattern.read(line.decode("latin-1")) if fits else None
                if one is not None:
                    printed.append(one)
                elif line.strip():
                    garbled += 1
            if text.drained or text.fault is not None or looked_at >= self._most:
                break
        return Taken(
            frames=self._batch(printed, time.time_ns()),
            drained=text.drained,
            garbled=garbled,
            fault=text.fault,
        )

    def lost(self) -> int:
        """Return 0: what a board lost is not told."""
        return 0

    def _batch(self, printed: Sequence[Printed], now_ns: int) -> FrameBatch:
        if not printed:
            return FrameBatch.empty()
        time_ns = np.full(len(printed), now_ns, np.int64)
        if self._clock is not None:
            time_ns = self._clock.stamps([one.time_ns or 0 for one in printed], now_ns)
        return FrameBatch.of_columns(
            time_ns=time_ns,
            identifier=np.array([one.identifier for one in printed], np.uint32),
            flags=np.array([one.flags for one in printed], np.uint8),
            payloads=[one.data for one in printed],
            bus=self._place,
        )


class LineBus(can.BusABC):
    """python-can's view of such a board."""

    def __init__(
        self,
        channel: str,
        *,
        pattern: str = "",
        baud: int = 115_200,
        bitrate: int | None = None,
        can_filters: can.typechecking.CanFilters | None = None,
    ) -> None:
        """Open the port that a board prints to.

        `bitrate`, which other programs hand on, is the board's affair.

        Raises
        ------
        InputError
            The pattern is missing, or none; the baud rate is no number.
        can.CanInitializationError
            The port cannot be opened.
        """
        self._is_shutdown = True  # until it is open there is nothing to close
        if not isinstance(pattern, str):
            raise InputError(
                f"bus.options.pattern: found {pattern!r}, expected what a line looks like, such as "
                "'{id} [{length}] {data}'."
            )
        if isinstance(baud, bool) or not isinstance(baud, int) or baud <= 0:
            raise InputError(
                f"bus.options.baud: found {baud!r}, expected bits a second on the board's port, "
                "such as 115200."
            )
        if not pattern:
            raise InputError(
                "bus.options.pattern: this key is missing; expected what a line looks like, such "
                "as '{id} [{length}] {data}'."
            )
        try:
            self.pattern = pattern_of(pattern)
        except InputError as fault:
            raise InputError(f"bus.options.{fault}") from None
        try:
            self._port = serial.serial_for_url(channel, baudrate=baud, timeout=0)
        except (OSError, ValueError) as fault:
            raise can.CanInitializationError(str(fault)) from fault
        # Whoever waits on the descriptor takes one frame whenever it is ready: what was read ahead
        # of it would never be asked for.
        self._reader = LineReader(self._port.fileno(), self.pattern, singly=True)
        self.channel_info = f"lines from {channel}"
        super().__init__(channel=channel, can_filters=can_filters)
        self._is_shutdown = False

    def fileno(self) -> int:
        """Return the descriptor to wait on."""
        return int(self._port.fileno())

    def reader(self, *, place: int) -> LineReader:
        """Return the way that takes many frames at a time."""
        return LineReader(self._port.fileno(), self.pattern, place=place)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self._is_shutdown:
            # The number of its descriptor may be another file's by now.
            raise can.CanOperationError("the port is closed")
        until_s = None if timeout is None else time.monotonic() + timeout
        while True:
            taken = self._reader.take()
            if len(taken.frames):
                return _message(taken.frames), False
            if taken.fault is not None:
                raise can.CanOperationError(str(taken.fault)) from taken.fault
            left_s = None if until_s is None else until_s - time.monotonic()
            if not taken.drained and (left_s is None or left_s > -LONGEST_SKIP_S):
                continue
            if left_s is not None and left_s <= 0:
                return None, False
            select.select([self.fileno()], [], [], left_s)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Refuse: a board that prints cannot be told to send."""
        raise can.CanOperationError(
            f"0x{msg.arbitration_id:X} is not sent: a board that prints frames cannot be told to."
        )

    def shutdown(self) -> None:
        """Close the port."""
        super().shutdown()
        self._port.close()


def _message(frames: FrameBatch) -> can.Message:
    """Return the first of them as python-can has it."""
    flags, length = int(frames.flags[0]), int(frames.length[0])
    return can.Message(
        timestamp=int(frames.time_ns[0]) * 1e-9,
        arbitration_id=int(frames.identifier[0]),
        is_extended_id=bool(flags & EXTENDED),
        is_remote_frame=bool(flags & REMOTE),
        is_fd=bool(flags & FD),
        dlc=length,
        data=None if flags & REMOTE else bytes(frames.data[0, :length]),
    )
