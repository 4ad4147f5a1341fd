"""Reads `.asc` logs a block at a time; unusual lines are left to python-can.

A regular line is a classic data frame; numbers are hexadecimal, what follows the data is ignored:

    0.250000 1  2C3             Rx   d 8 48 18 1F 00 00 00 00 00
    ^time    ^channel, from 1   ^or Tx ^length
                ^identifier, with x behind it for 29 bits

All regular lines of a block are parsed at once, by array operations on its words. Every other line
(heads, triggers, CAN FD, remote and error frames, comments) goes through one reader of python-can,
which also knows since when times count. That the result equals python-can's is a property test.
"""

import io
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import IO, Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.importing.log_blocks import read_line_blocks
from logger.importing.log_stamps import MAX_STAMP_NS, stamp_reader
from logger.importing.message_batch import MessageBatch
from logger.joint.batch import CLASSIC_BYTES, EXTENDED, SENT, FrameBatch

__all__ = ["read_asc_log"]

_NO_MORE: Final = "0.0 1 0 Rx d 0\n"
"""A frame of no log: python-can's reader gives it once it has read all lines before it."""
_MAX_HEAD_BYTES: Final = 1 << 24
_HEAD_WORDS: Final = 6
_TIME_SIGNS: Final = 19
_MAX_IDENTIFIER: Final = 0x1FFFFFFF
_PADDING_BYTES: Final = 32
"""Blanks after a block, so that fixed offsets from the start of a last word stay inside."""
_NIBBLES: Final = np.full(256, 255, np.uint8)
_NIBBLES[np.frombuffer(b"0123456789abcdef", np.uint8)] = np.arange(16)
_NIBBLES[np.frombuffer(b"0123456789ABCDEF", np.uint8)] = np.arange(16)

ByteArray = NDArray[np.uint8]
Places = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


def read_asc_log(
    file: IO[bytes], *, dated: bool = True
) -> Iterator[tuple[MessageBatch, Exception | None]]:
    """Yield (batch, fault) block by block; a fault that ended the reading early is in the last.

    `dated`: whether times count since the date in the head; else since the start of the log.
    """
    unusual = _UnusualLines(dated=dated)
    for block, torn in _with_whole_head(read_line_blocks(file)):
        if torn is not None:
            yield MessageBatch(), torn
            return
        columns, fault = _parse_block(block, unusual)
        yield columns, fault
        if fault is not None:
            return


def _with_whole_head(
    blocks: Iterator[tuple[bytes, Exception | None]],
) -> Iterator[tuple[bytes, Exception | None]]:
    """Yield blocks, the first of them as long as it takes to hold a regular line."""
    head = b""
    for block, torn in blocks:
        head += block
        if torn is None and len(head) < _MAX_HEAD_BYTES and not _Lines.of(head).is_regular.any():
            continue
        if torn is not None and head:
            yield head, None
        yield (head, None) if torn is None else (b"", torn)
        yield from blocks
        return
    if head:
        yield head, None


class _LineFeed(io.StringIO):
    """The file that python-can's reader reads: lines as they are given, then `_NO_MORE`."""

    def __init__(self) -> None:
        super().__init__()
        self.line = ""
        self.waiting: deque[tuple[int, str]] = deque()
        self.number = -1
        """That of the line that was read last; -1 beyond those that were given."""

    def __next__(self) -> str:  # type: ignore[override]
        self.number, self.line = self.waiting.popleft() if self.waiting else (-1, _NO_MORE)
        return self.line


class _UnusualLines:
    """One reader of python-can, which is given lines and keeps what a log's head says."""

    def __init__(self, *, dated: bool) -> None:
        self._feed = _LineFeed()
        self._reader = can.ASCReader(self._feed, relative_timestamp=not dated)
        self._messages = iter(self._reader)
        self._stamp_of = stamp_reader(self._reader, self._feed)

    @property
    def is_hex(self) -> bool:
        """Whether numbers are hexadecimal."""
        return self._reader.base == "hex"

    @property
    def start_ns(self) -> int:
        """What times count from, by the lines so far."""
        return round(self._reader.start_time * 1e6) * 1000

    def read(
        self, lines: list[tuple[int, str]]
    ) -> tuple[list[int], list[can.Message], list[int], Exception | None]:
        """Return line numbers, messages and stamps of some lines, and the fault of one of them."""
        numbers: list[int] = []
        messages: list[can.Message] = []
        stamps: list[int] = []
        self._feed.waiting.extend(lines)
        assert self._stamp_of is not None, "the format has stamps in its lines"
        while True:
            try:
                message = next(self._messages)
                if self._feed.number < 0:
                    return numbers, messages, stamps, None
                stamps.append(self._stamp_of(message))
            except Exception as fault:  # noqa: BLE001 - a reader raises whatever its parsing meets
                return numbers, messages, stamps, fault
            numbers.append(self._feed.number)
            messages.append(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """n whole lines of a log, and the m of them that are regular."""

    text: bytes
    starts: Places
    ends: Places
    is_regular: BoolArray
    """Shape (n,)."""
    frames: FrameBatch
    """The m frames of the regular lines; times count from the start of the log."""
    channels: NDArray[np.int64]
    """Shape (m,)."""

    @classmethod
    def of(cls, block: bytes) -> "_Lines":
        # A carriage return ends a line as well, alone or before a line feed.
        plain = block.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        text = np.frombuffer(plain + b" " * _PADDING_BYTES, np.uint8)
        ends = np.flatnonzero(text == ord("\n"))
        starts = np.append(0, ends[:-1] + 1)
        is_regular, frames, channels = _parse_regular_lines(text, starts, ends)
        return cls(
            text=plain, starts=starts, ends=ends, is_regular=is_regular, frames=frames,
            channels=channels,
        )  # fmt: skip

    def decode(self, number: int) -> str:
        """Return a line with its end."""
        return self.text[self.starts[number] : self.ends[number] + 1].decode(errors="replace")


def _parse_block(block: bytes, unusual: _UnusualLines) -> tuple[MessageBatch, Exception | None]:
    """Return the messages of whole lines, and the error of the first line that is none."""
    lines = _Lines.of(block)
    is_regular = lines.is_regular.copy()
    if not unusual.is_hex:
        is_regular[:] = False
    others = MessageBatch()
    numbers: list[int] = []

    def read_lines(first: int, stop: int) -> Exception | None:
        """Add the messages of some lines, and the number of the line of each."""
        some_numbers, messages, stamps, fault = unusual.read(
            [(number, lines.decode(number)) for number in range(first, stop)]
        )
        try:
            others.append_messages(messages, stamps)
        except (ValueError, OverflowError) as odd:
            return ValueError(f"one of the next {len(messages)} messages is no CAN frame, {odd}")
        numbers.extend(some_numbers)
        return fault

    if is_regular[0]:
        # Nothing before it: for python-can, too, a head is over now.
        unusual.read([])
    start_ns = np.full(len(is_regular), unusual.start_ns)
    fault: Exception | None = None
    edges = np.flatnonzero(np.diff(is_regular, prepend=True, append=True)).reshape(-1, 2)
    for first, stop in edges.tolist():
        fault = read_lines(first, stop)
        start_ns[stop:] = unusual.start_ns
        if fault is None and not unusual.is_hex and is_regular[stop:].any():
            # Everything else as well: the words were taken for hexadecimal.
            is_regular[stop:] = False
            fault = read_lines(stop, len(is_regular))
            break
        if fault is not None:
            is_regular[first:] = False
            break
    regular_lines = np.flatnonzero(lines.is_regular)
    kept = is_regular[regular_lines]
    frames = lines.frames.select_rows(kept)
    stamps = frames.time_ns + start_ns[regular_lines[kept]]
    frames = replace(frames, time_ns=np.where((stamps >= 0) & (stamps < MAX_STAMP_NS), stamps, 0))
    order = np.argsort(np.append(regular_lines[kept], np.array(numbers, np.intp)), kind="stable")
    names = [*lines.channels[kept].tolist(), *others.channels]
    return MessageBatch(
        frames=[FrameBatch.concatenate([frames, *others.frames]).select_rows(order)],
        channels=[names[place] for place in order.tolist()],
    ), fault


def _parse_regular_lines(
    text: ByteArray, starts: Places, ends: Places
) -> tuple[BoolArray, FrameBatch, NDArray[np.int64]]:
    """Return which lines are regular, shape (n,), and the frames and channels of those.

    Their times count from the start of the log.
    """
    is_blank = (text == ord(" ")) | (text == ord("\t")) | (text == ord("\n"))
    edges = np.flatnonzero(np.diff(is_blank, prepend=True))
    if len(edges) % 2:
        edges = np.append(edges, len(text))
    begin, end = edges[::2], edges[1::2]
    first = np.searchsorted(begin, starts)
    count = np.searchsorted(begin, ends) - first
    # Signs that Python may take for a blank or a digit.
    is_odd = ((text < ord(" ")) & ~is_blank) | (text > ord("~"))
    is_regular = count >= _HEAD_WORDS
    is_regular[np.searchsorted(ends, np.flatnonzero(is_odd))] = False
    rows = np.flatnonzero(is_regular)
    word = first[rows]

    def sign(number: int, place: int) -> ByteArray:
        signs: ByteArray = text[begin[word + number] + place]
        return signs

    width = [end[word + number] - begin[word + number] for number in range(_HEAD_WORDS)]
    length = sign(5, 0) - np.uint8(ord("0"))
    time_ns, is_time = _parse_times(text, begin[word], width[0])
    channel, is_channel = _parse_channels(text, begin[word + 1], width[1])
    identifier, extended, is_identifier = _parse_identifiers(text, begin[word + 2], width[2])
    is_sent = sign(3, 0) == ord("T")
    is_valid = is_time & is_channel & is_identifier
    is_valid &= (is_sent | (sign(3, 0) == ord("R"))) & (sign(3, 1) == ord("x")) & (width[3] == 2)
    is_valid &= (sign(4, 0) == ord("d")) & (width[4] == 1)
    is_valid &= (length <= CLASSIC_BYTES) & (width[5] == 1)
    is_valid &= count[rows] >= _HEAD_WORDS + length
    data, is_data = _parse_payloads(text, begin, end, word + _HEAD_WORDS, length)
    is_valid &= is_data
    is_regular[rows[~is_valid]] = False
    return (
        is_regular,
        FrameBatch(
            time_ns=time_ns,
            identifier=identifier.astype(np.uint32),
            flags=extended * np.uint8(EXTENDED) | is_sent * np.uint8(SENT),
            length=length,
            data=data,
            bus=np.zeros(len(rows), np.uint8),
        ).select_rows(is_valid),
        channel[is_valid],
    )


def _parse_times(
    text: ByteArray, begin: Places, width: Places
) -> tuple[NDArray[np.int64], BoolArray]:
    """Return times in ns, and whether each is digits, a point and digits, nine at most."""
    signs = text[begin[:, None] + np.arange(_TIME_SIGNS)]
    inside = np.arange(_TIME_SIGNS) < width[:, None]
    is_point = (signs == ord(".")) & inside
    digit = signs - np.uint8(ord("0"))
    whole = is_point.argmax(axis=1)
    part = width - whole - 1
    is_valid = (width <= _TIME_SIGNS) & (is_point.sum(axis=1) == 1)
    is_valid &= (whole > 0) & (whole <= 9) & (part > 0) & (part <= 9)
    is_valid &= ((digit <= 9) | is_point | ~inside).all(axis=1)
    number = np.zeros(len(begin), np.int64)
    for place in range(_TIME_SIGNS):
        counts = inside[:, place] & ~is_point[:, place] & is_valid
        number = np.where(counts, number * 10 + digit[:, place], number)
    return number * 10 ** np.where(is_valid, 9 - part, 0), is_valid


def _parse_channels(
    text: ByteArray, begin: Places, width: Places
) -> tuple[NDArray[np.int64], BoolArray]:
    """Return channels as python-can counts them, from 0, and whether each is up to three digits."""
    is_valid = width <= 3
    channel = np.zeros(len(begin), np.int64)
    for place in range(3):
        counts = place < width
        digit = text[begin + place] - np.uint8(ord("0"))
        is_valid &= (digit <= 9) | ~counts
        channel = np.where(counts, channel * 10 + digit, channel)
    return channel - 1, is_valid


def _parse_identifiers(
    text: ByteArray, begin: Places, width: Places
) -> tuple[NDArray[np.int64], BoolArray, BoolArray]:
    """Return identifiers, whether they have 29 bits, and whether they are digits up to eight."""
    last = text[begin + width - 1]
    extended = (last == ord("x")) | (last == ord("X"))
    digits = width - extended
    is_valid = (digits > 0) & (digits <= 8)
    identifier = np.zeros(len(begin), np.int64)
    for place in range(8):
        counts = place < digits
        nibble = _NIBBLES[text[begin + place]]
        is_valid &= (nibble < 16) | ~counts
        identifier = np.where(counts, identifier << 4 | nibble, identifier)
    return identifier, extended, is_valid & (identifier <= _MAX_IDENTIFIER)


def _parse_payloads(
    text: ByteArray, begin: Places, end: Places, word: Places, length: ByteArray
) -> tuple[ByteArray, BoolArray]:
    """Return payloads of shape (n, 8), and whether each of their words is two digits.

    `word`: the number of the first word of each.
    """
    place = np.arange(CLASSIC_BYTES)
    number = np.minimum(word[:, None] + place, len(begin) - 1)
    inside = place < length[:, None]
    first = begin[number]
    high, low = _NIBBLES[text[first]], _NIBBLES[text[first + 1]]
    is_byte = (high < 16) & (low < 16) & (end[number] - first == 2)
    return np.where(inside, high << 4 | low, 0).astype(np.uint8), (is_byte | ~inside).all(axis=1)
