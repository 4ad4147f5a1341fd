"""A microcontroller as the adapter: a python-can bus of frames that a board prints as lines.

    [bus]
    interface = "lines"
    channel   = "/dev/ttyACM0"
    options   = { pattern = "{id} [{length}] {data}", baud = 115200 }

Registered with python-can as the interface "lines", so that other programs can use it as well. It
only listens: a board that prints frames cannot send.
"""

import select
import time
from collections.abc import Callable, Sequence
from typing import Final

import can
import numpy as np
import serial

from logger.bus.board_clock import BoardClock
from logger.bus.line_pattern import LinePattern, ParsedLine, compile_pattern
from logger.bus.reader import MAX_FRAMES_AT_ONCE, ReadResult
from logger.bus.serial_text import READ_BYTES_AT_ONCE, SAFE_BACKLOG_BYTES, SerialText
from logger.errors import InputError
from logger.joint.batch import EXTENDED, FD, REMOTE, FrameBatch

__all__ = ["LINE_OPTIONS", "LineBus", "LineReader"]

LINE_OPTIONS: Final = ("pattern", "baud")
"""The keys of a bench file's `bus.options`."""
MAX_PRINTED_LINE: Final = 500
"""Bytes: more than 64 bytes of CAN FD take as `0xFF, `, and the text around them."""
MAX_SKIP_S: Final = 0.05
"""How long a call of `recv` goes on, past its time, over lines that are no frames."""
_PRINTED_LINE_ENDS: Final = b"\n\r"


class LineReader:
    """Takes the frames that a board has printed."""

    read_delay_s = 0.0
    counts_losses = False

    def __init__(
        self,
        descriptor: int,
        pattern: LinePattern,
        *,
        bus_index: int = 0,
        single_line: bool = False,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """Read from an open descriptor.

        `single_line`: take one line at a time, and leave the rest to the descriptor. `now_ns`
        gives what is read its time.
        """
        self._now_ns = now_ns
        self._text = SerialText(
            descriptor,
            ends=_PRINTED_LINE_ENDS,
            longest=MAX_PRINTED_LINE,
            at_once=1 if single_line else READ_BYTES_AT_ONCE,
        )
        self._max_reads = 1 if single_line else MAX_FRAMES_AT_ONCE
        self._pattern = pattern
        self._bus_index = bus_index
        self._clock = None if pattern.unit_ns is None else BoardClock(pattern.unit_ns)
        self.stamps_on_read = self._clock is None

    @property
    def has_fault(self) -> bool:
        """See `CollectingReader`."""
        return self._text.has_fault

    def collect(self, stamp_ns: int) -> bool:
        """See `CollectingReader`."""
        return self._text.collect(stamp_ns)

    def read_frames(self) -> ReadResult:
        """Return the frames received so far; never waits, never raises."""
        batches: list[FrameBatch] = []
        garbled = most_bytes = 0
        drained, fault = True, None
        for stamp_ns, text in self._text.take_lines(self._now_ns, most_lines=self._max_reads):
            parsed_lines: list[ParsedLine] = []
            garbled += text.endless
            most_bytes = max(most_bytes, text.bytes_read)
            drained, fault = text.drained, text.fault
            # What was under way when listening began is no fault, and no frame either: without
            # its first digit an identifier is another one.
            for line in text.lines[1:] if text.first else text.lines:
                is_fitting = len(line) <= MAX_PRINTED_LINE
                parsed = self._pattern.parse_line(line.decode("latin-1")) if is_fitting else None
                if parsed is not None:
                    parsed_lines.append(parsed)
                elif line.strip():
                    garbled += 1
            if parsed_lines:
                batches.append(self._to_batch(parsed_lines, stamp_ns))
        return ReadResult(
            frames=FrameBatch.concatenate(batches),
            drained=drained,
            garbled=garbled,
            may_have_overrun=most_bytes > SAFE_BACKLOG_BYTES,
            fault=fault,
        )

    def dropped_count(self) -> int:
        """Return 0: a board does not report its losses."""
        return 0

    def _to_batch(self, parsed_lines: Sequence[ParsedLine], now_ns: int) -> FrameBatch:
        time_ns = np.full(len(parsed_lines), now_ns, np.int64)
        if self._clock is not None:
            time_ns = self._clock.to_local_times(
                [parsed.time_ns or 0 for parsed in parsed_lines], now_ns
            )
        return FrameBatch.from_columns(
            time_ns=time_ns,
            identifier=np.array([parsed.identifier for parsed in parsed_lines], np.uint32),
            flags=np.array([parsed.flags for parsed in parsed_lines], np.uint8),
            payloads=[parsed.data for parsed in parsed_lines],
            bus=self._bus_index,
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
            self.pattern = compile_pattern(pattern)
        except InputError as fault:
            raise InputError(f"bus.options.{fault}") from None
        try:
            self._port = serial.serial_for_url(channel, baudrate=baud, timeout=0)
        except (OSError, ValueError) as fault:
            raise can.CanInitializationError(str(fault)) from fault
        # Whoever waits on the descriptor takes one frame whenever it is ready: what was read ahead
        # of it would never be asked for.
        self._reader = LineReader(self._port.fileno(), self.pattern, single_line=True)
        self.channel_info = f"lines from {channel}"
        super().__init__(channel=channel, can_filters=can_filters)
        self._is_shutdown = False

    def fileno(self) -> int:
        """Return the descriptor to wait on."""
        return int(self._port.fileno())

    def line_reader(self, *, bus_index: int, now_ns: Callable[[], int]) -> LineReader:
        """Return the way that takes many frames at a time, with their times by `now_ns`."""
        descriptor = self._port.fileno()
        return LineReader(descriptor, self.pattern, bus_index=bus_index, now_ns=now_ns)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self._is_shutdown:
            # The number of its descriptor may be another file's by now.
            raise can.CanOperationError("the port is closed")
        until_s = None if timeout is None else time.monotonic() + timeout
        while True:
            read_result = self._reader.read_frames()
            if len(read_result.frames):
                return _first_message(read_result.frames), False
            if read_result.fault is not None:
                raise can.CanOperationError(str(read_result.fault)) from read_result.fault
            left_s = None if until_s is None else until_s - time.monotonic()
            if not read_result.drained and (left_s is None or left_s > -MAX_SKIP_S):
                continue
            if left_s is not None and left_s <= 0:
                return None, False
            select.select([self.fileno()], [], [], left_s)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Refuse: a board that prints frames cannot send."""
        raise can.CanOperationError(
            f"0x{msg.arbitration_id:X} is not sent: a board that prints frames cannot send."
        )

    def shutdown(self) -> None:
        """Close the port."""
        super().shutdown()
        self._port.close()


def _first_message(frames: FrameBatch) -> can.Message:
    """Return the first of them as python-can has it."""
    flags, length = int(frames.flags[0]), int(frames.length[0])
    return can.Message(
        # The quotient of whole numbers is the float nearest to the time; a product is not.
        timestamp=int(frames.time_ns[0]) / 1_000_000_000,
        arbitration_id=int(frames.identifier[0]),
        is_extended_id=bool(flags & EXTENDED),
        is_remote_frame=bool(flags & REMOTE),
        is_fd=bool(flags & FD),
        dlc=length,
        data=None if flags & REMOTE else bytes(frames.data[0, :length]),
    )
