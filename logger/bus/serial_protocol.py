"""Frames of adapters that speak the serial-line CAN protocol, many at a time.

python-can opens and configures the adapter, and then takes its answers a byte at a time; here what
is there is read at once, a pattern match a line. The same lines mean the same frames as to
python-can's "slcan". Stamps are this machine's, as there: what the adapter appends is skipped.
"""

import re
import time
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.bus.reader import MOST_AT_ONCE, Taken
from logger.bus.serial_text import SerialText
from logger.joint.batch import CLASSIC_BYTES, EXTENDED, FD, LENGTHS, REMOTE, FrameBatch
from logger.joint.bench.identifiers import full_mask

__all__ = ["ProtocolReader", "frames_in"]

LONGEST_LINE: Final = 300
"""Bytes: twice what the longest frame takes, CAN FD included."""
_ENDS: Final = b"\r\a\n"
_HEX: Final = b"[0-9a-fA-F]"
_LINE: Final = re.compile(rb"(?:([trdb])(HHH)|([TRDBx])(HHHHHHHH))(H)((?:HH)*)".replace(b"H", _HEX))
_ANSWERS: Final = b"zZVvNFA"
"""First letters of what an adapter answers to commands: no frames, and no faults."""
_KINDS: Final = {
    b"t": 0, b"T": EXTENDED, b"x": EXTENDED, b"r": REMOTE, b"R": EXTENDED | REMOTE,
    b"d": FD, b"D": EXTENDED | FD, b"b": FD, b"B": EXTENDED | FD,
}  # fmt: skip
_DIGIT_LETTERS: Final = b"bBdD"
"""Letters of frames that are hexadecimal digits as well."""
_STAMP_DIGITS: Final = 4

Row = tuple[int, int, bytes]


def _row(line: bytes) -> Row | None:
    """Return identifier, flags and payload of a line, None when it is no frame."""
    match = _LINE.fullmatch(line)
    if match is None:
        return None
    kind, number, wide, long, code, digits = match.groups()
    flags = _KINDS[kind or wide]
    identifier = int(number or long, 16)
    if identifier > full_mask(extended=bool(wide)):
        return None
    length = int(code, 16)
    if flags & FD:
        length = LENGTHS[length]
    elif length > CLASSIC_BYTES:
        return None
    if flags & REMOTE:
        # It asks for so many bytes and carries none.
        return (identifier, flags, bytes(length)) if len(digits) in {0, _STAMP_DIGITS} else None
    if len(digits) - 2 * length not in {0, _STAMP_DIGITS}:
        return None
    return identifier, flags, bytes.fromhex(digits[: 2 * length].decode())


def frames_in(lines: Sequence[bytes]) -> tuple[list[Row], list[int]]:
    """Return (identifier, flags, payload) of the frames in lines, and which lines are none.

    Answers to commands are neither.
    """
    rows: list[Row] = []
    bad: list[int] = []
    for place, line in enumerate(lines):
        row = _row(line)
        if row is not None:
            rows.append(row)
        elif line.strip() and line[:1] not in _ANSWERS:
            bad.append(place)
    return rows, bad


class ProtocolReader:
    """Takes what an adapter has sent."""

    def __init__(self, descriptor: int, *, place: int) -> None:
        self._text = SerialText(descriptor, ends=_ENDS, longest=LONGEST_LINE)
        self._place = place

    def take(self) -> Taken:
        """Return what is there; never waits, never raises."""
        rows: list[Row] = []
        garbled = looked_at = 0
        while True:
            text = self._text.take()
            looked_at += len(text.lines)
            # What was under way when listening began is no fault. Nor is it a frame when its letter
            # is a digit too: the last bytes of one could pass for another, of CAN FD.
            piece = text.first and text.lines[0][:1] in _DIGIT_LETTERS
            more, bad = frames_in(text.lines[piece:])
            rows += more
            garbled += len(bad) + text.endless - (text.first and not piece and bad[:1] == [0])
            if text.drained or text.fault is not None or looked_at >= MOST_AT_ONCE:
                break
        return Taken(
            frames=_batch(rows, bus=self._place),
            drained=text.drained,
            garbled=garbled,
            fault=text.fault,
        )

    def lost(self) -> int:
        """Return 0: what an adapter lost is not told."""
        return 0


def _batch(rows: Sequence[Row], *, bus: int) -> FrameBatch:
    if not rows:
        return FrameBatch.empty()
    identifiers, flags, payloads = zip(*rows, strict=True)
    return FrameBatch.of_columns(
        time_ns=np.full(len(rows), time.time_ns(), np.int64),
        identifier=np.array(identifiers, np.uint32),
        flags=np.array(flags, np.uint8),
        payloads=payloads,
        bus=bus,
    )
