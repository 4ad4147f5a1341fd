"""Frames of adapters that speak the serial-line CAN protocol, many at a time.

python-can opens and configures the adapter, and then reads its answers a byte at a time; here all
of it is read at once, with one pattern match a line. The same lines mean the same frames as to
python-can's "slcan". Stamps are this machine's, as there: what the adapter appends is skipped.
"""

import re
import time
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from logger.bus.reader import MAX_FRAMES_AT_ONCE, ReadResult
from logger.bus.serial_text import SAFE_BACKLOG_BYTES, SerialText
from logger.joint.batch import CLASSIC_BYTES, EXTENDED, FD, PAYLOAD_LENGTHS, REMOTE, FrameBatch
from logger.joint.bench.identifiers import exact_mask

__all__ = ["ProtocolReader", "parse_frame_lines"]

MAX_PROTOCOL_LINE: Final = 300
"""Bytes: twice what the longest frame takes, CAN FD included."""
_PROTOCOL_LINE_ENDS: Final = b"\r\a\n"
_HEX: Final = b"[0-9a-fA-F]"
_FRAME_LINE: Final = re.compile(
    rb"(?:([trdb])(HHH)|([TRDBx])(HHHHHHHH))(H)((?:HH)*)".replace(b"H", _HEX)
)
_REPLY_LETTERS: Final = b"zZVvNFA"
"""First letters of what an adapter answers to commands: no frames, and no faults."""
_FLAGS_OF_LETTER: Final = {
    b"t": 0, b"T": EXTENDED, b"x": EXTENDED, b"r": REMOTE, b"R": EXTENDED | REMOTE,
    b"d": FD, b"D": EXTENDED | FD, b"b": FD, b"B": EXTENDED | FD,
}  # fmt: skip
_DIGIT_LETTERS: Final = b"bBdD"
"""Letters of frames that are hexadecimal digits as well."""
_STAMP_DIGITS: Final = 4

ProtocolRow = tuple[int, int, bytes]


def _parse_frame_line(line: bytes) -> ProtocolRow | None:
    """Return identifier, flags and payload of a line, None when it is no frame."""
    match = _FRAME_LINE.fullmatch(line)
    if match is None:
        return None
    kind, number, extended_letter, extended_digits, code, digits = match.groups()
    flags = _FLAGS_OF_LETTER[kind or extended_letter]
    identifier = int(number or extended_digits, 16)
    if identifier > exact_mask(extended=bool(extended_letter)):
        return None
    length = int(code, 16)
    if flags & FD:
        length = PAYLOAD_LENGTHS[length]
    elif length > CLASSIC_BYTES:
        return None
    if flags & REMOTE:
        # It asks for so many bytes and carries none.
        return (identifier, flags, bytes(length)) if len(digits) in {0, _STAMP_DIGITS} else None
    if len(digits) - 2 * length not in {0, _STAMP_DIGITS}:
        return None
    return identifier, flags, bytes.fromhex(digits[: 2 * length].decode())


def parse_frame_lines(lines: Sequence[bytes]) -> tuple[list[ProtocolRow], list[int]]:
    """Return (identifier, flags, payload) of the frames in lines, and which lines are none.

    Answers to commands are neither.
    """
    rows: list[ProtocolRow] = []
    bad_lines: list[int] = []
    for line_index, line in enumerate(lines):
        row = _parse_frame_line(line)
        if row is not None:
            rows.append(row)
        elif line.strip() and line[:1] not in _REPLY_LETTERS:
            bad_lines.append(line_index)
    return rows, bad_lines


class ProtocolReader:
    """Reads the frames that an adapter has sent."""

    stamps_on_read = True
    read_delay_s = 0.0
    counts_losses = False

    def __init__(
        self, descriptor: int, *, bus_index: int, now_ns: Callable[[], int] = time.time_ns
    ) -> None:
        """Read from an open descriptor; `now_ns` gives what is read its time."""
        self._text = SerialText(descriptor, ends=_PROTOCOL_LINE_ENDS, longest=MAX_PROTOCOL_LINE)
        self._bus_index = bus_index
        self._now_ns = now_ns

    @property
    def has_fault(self) -> bool:
        """See `CollectingReader`."""
        return self._text.has_fault

    def collect(self, stamp_ns: int) -> bool:
        """See `CollectingReader`."""
        return self._text.collect(stamp_ns)

    def read_frames(self) -> ReadResult:
        """Return the frames received so far; never waits, never raises."""
        rows: list[ProtocolRow] = []
        stamps_ns: list[int] = []
        garbled = most_bytes = 0
        drained, fault = True, None
        for stamp_ns, text in self._text.take_lines(self._now_ns, most_lines=MAX_FRAMES_AT_ONCE):
            most_bytes = max(most_bytes, text.bytes_read)
            drained, fault = text.drained, text.fault
            garbled += text.endless
            if not text.lines:
                continue
            # What was under way when listening began is no fault. Nor is it a frame when its letter
            # is a digit too: the last bytes of one could pass for another, of CAN FD.
            is_partial = text.first and text.lines[0][:1] in _DIGIT_LETTERS
            more_rows, bad_lines = parse_frame_lines(text.lines[is_partial:])
            rows += more_rows
            stamps_ns += [stamp_ns] * len(more_rows)
            garbled += len(bad_lines) - (text.first and not is_partial and bad_lines[:1] == [0])
        return ReadResult(
            frames=_batch_of_rows(rows, stamps_ns, bus=self._bus_index),
            drained=drained,
            garbled=garbled,
            may_have_overrun=most_bytes > SAFE_BACKLOG_BYTES,
            fault=fault,
        )

    def dropped_count(self) -> int:
        """Return 0: the adapter does not report its losses."""
        return 0


def _batch_of_rows(
    rows: Sequence[ProtocolRow], stamps_ns: Sequence[int], *, bus: int
) -> FrameBatch:
    if not rows:
        return FrameBatch.empty()
    identifiers, flags, payloads = zip(*rows, strict=True)
    return FrameBatch.from_columns(
        time_ns=np.array(stamps_ns, np.int64),
        identifier=np.array(identifiers, np.uint32),
        flags=np.array(flags, np.uint8),
        payloads=payloads,
        bus=bus,
    )
