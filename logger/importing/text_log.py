"""Reads a SocketCAN text log a block at a time; unusual lines are left to python-can.

A regular line is a classic data frame with a date:

    (1795000000.123456) can0 2C3#0011223344556677 R
     ^1         ^12    ^19   ^# is looked for        ^or T, or nothing

All regular lines of a block are parsed at once, by array operations. Every other line (CAN FD,
remote and error frames, other forms of time) is parsed by python-can itself, and the frames are
merged in the order of their lines. That the result equals python-can's, line by line, is a property
test; stamps are read from the digits (`log_stamps`).
"""

import io
from collections.abc import Iterator
from dataclasses import replace
from typing import IO, Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.importing.log_blocks import read_line_blocks
from logger.importing.log_stamps import bounded_stamp, parse_decimal
from logger.importing.message_batch import MessageBatch, read_whole_batch
from logger.joint.batch import EXTENDED, SENT, FrameBatch

__all__ = ["read_text_log"]

_PADDING_BYTES: Final = 32
"""Zeros after a block, so that fixed offsets from the start of a short last line stay inside."""
_NIBBLE: Final = np.full(256, 255, np.uint8)
_NIBBLE[np.frombuffer(b"0123456789abcdef", np.uint8)] = np.arange(16)
_NIBBLE[np.frombuffer(b"0123456789ABCDEF", np.uint8)] = np.arange(16)
_EVEN_OFFSETS: Final = np.arange(0, 16, 2)
_MAX_IDENTIFIER: Final = 0x1FFFFFFF
_CHANNEL_OFFSET: Final = 20

ByteArray = NDArray[np.uint8]
Ints = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


def read_text_log(file: IO[bytes]) -> Iterator[tuple[MessageBatch, Exception | None]]:
    """Yield (batch, fault) block by block; a fault that ended the reading early is in the last."""
    for block, torn in read_line_blocks(file):
        if torn is not None:
            yield MessageBatch(), torn
            return
        columns, fault = _parse_block(block)
        yield columns, fault
        if fault is not None:
            return


def _parse_block(block: bytes) -> tuple[MessageBatch, Exception | None]:
    """Return the messages of whole lines, and the error of the first line that is none."""
    text = np.frombuffer(block + bytes(_PADDING_BYTES), np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    starts = np.append(0, ends[:-1] + 1)
    is_regular, frames, channels = _parse_regular_lines(text, starts, ends)
    if is_regular.all():
        return MessageBatch(frames=[frames], channels=channels), None
    irregular_lines = np.flatnonzero(~is_regular)
    lines = [
        block[starts[line_index] : ends[line_index]] for line_index in irregular_lines.tolist()
    ]
    kept_rows = [line_index for line_index, line in enumerate(lines) if line.strip()]
    irregular_text = b"\n".join(lines[line_index] for line_index in kept_rows).decode(
        errors="replace"
    )
    others, fault = _parse_irregular_lines(irregular_text)
    other_frames = others.to_frame_batch()
    if len(others):
        stamps_ns = [
            _line_stamp(lines[line_index], int(other_ns))
            for line_index, other_ns in zip(kept_rows, other_frames.time_ns, strict=False)
        ]
        other_frames = replace(other_frames, time_ns=np.array(stamps_ns, np.int64))
    # Up to the line at which python-can raised; all lines where it did not.
    line_indices = np.concatenate(
        (np.flatnonzero(is_regular), irregular_lines[kept_rows[: len(others)]])
    )
    order = np.argsort(line_indices)
    if fault is not None:
        order = order[: np.count_nonzero(line_indices < irregular_lines[kept_rows[len(others)]])]
    block_frames = FrameBatch.concatenate([frames, other_frames]).select_rows(order)
    channel_names = [*channels, *others.channels]
    return MessageBatch(
        frames=[block_frames], channels=[channel_names[line_index] for line_index in order.tolist()]
    ), fault


def _line_stamp(line: bytes, read_ns: int) -> int:
    """Return the stamp of a line in ns; `read_ns`: python-can's, for what is no decimal."""
    parsed = parse_decimal(line.split(None, 1)[0][1:-1].decode(errors="replace"))
    return read_ns if parsed is None else bounded_stamp(parsed)


def _parse_irregular_lines(text: str) -> tuple[MessageBatch, Exception | None]:
    return read_whole_batch(iter(can.CanutilsLogReader(io.StringIO(text))))


def _parse_regular_lines(
    text: ByteArray, starts: Ints, ends: Ints
) -> tuple[BoolArray, FrameBatch, list[object]]:
    """Return which lines are regular, shape (n,), and the frames and channels of those."""
    hashes = np.flatnonzero(text == ord("#"))
    first = np.searchsorted(hashes, starts)
    is_regular = first < len(hashes)
    hash_positions = np.append(hashes, 0)[np.minimum(first, len(hashes))]
    is_regular &= (hash_positions < ends) & (hash_positions >= starts + _CHANNEL_OFFSET + 5)
    for offset, sign in ((0, "("), (11, "."), (18, ")"), (19, " ")):
        is_regular &= text[starts + offset] == ord(sign)
    rows = np.flatnonzero(is_regular)
    start, end, hash_positions = starts[rows], ends[rows], hash_positions[rows]
    micros, has_time = _parse_stamps(text, start)
    has_direction_mark = (text[end - 2] == ord(" ")) & np.isin(
        text[end - 1], np.frombuffer(b"RTrt", np.uint8)
    )
    sent = has_direction_mark & np.isin(text[end - 1], np.frombuffer(b"Tt", np.uint8))
    identifier, digits, length_given = _parse_identifiers(text, hash_positions)
    data, length, is_whole = _parse_payloads(
        text, hash_positions + 1, np.where(has_direction_mark, end - 2, end)
    )
    channel, has_channel = _parse_channel_names(
        text, start + _CHANNEL_OFFSET, hash_positions - digits - 1
    )
    is_valid = has_time & length_given & is_whole & has_channel & (identifier <= _MAX_IDENTIFIER)
    is_regular[rows[~is_valid]] = False
    if not is_valid.all():
        micros, identifier, digits, sent = (
            column[is_valid] for column in (micros, identifier, digits, sent)
        )
        data, length = data[is_valid], length[is_valid]
        channel = [
            channel_name
            for channel_name, is_kept in zip(channel, is_valid.tolist(), strict=True)
            if is_kept
        ]
    return (
        is_regular,
        FrameBatch(
            time_ns=micros * 1000,
            identifier=identifier.astype(np.uint32),
            flags=(digits == 8) * np.uint8(EXTENDED) | sent * np.uint8(SENT),
            length=length.astype(np.uint8),
            data=data,
            bus=np.zeros(len(micros), np.uint8),
        ),
        channel,
    )


def _parse_stamps(text: ByteArray, start: Ints) -> tuple[NDArray[np.int64], BoolArray]:
    """Return the timestamps in microseconds, and whether all their characters are digits."""
    micros = np.zeros(len(start), np.int64)
    is_valid = np.ones(len(start), bool)
    for offset in (*range(1, 11), *range(12, 18)):
        digit = text[start + offset] - np.uint8(ord("0"))
        is_valid &= digit <= 9
        micros = micros * 10 + digit
    return micros, is_valid & (micros < 9_000_000_000_000_000)


def _parse_identifiers(
    text: ByteArray, hash_positions: Ints
) -> tuple[NDArray[np.int64], Ints, BoolArray]:
    """Return the identifiers, their number of digits, and whether that is three or eight."""
    digits = np.where(text[hash_positions - 4] == ord(" "), 3, 8)
    identifier = np.zeros(len(hash_positions), np.int64)
    is_valid = text[hash_positions - digits - 1] == ord(" ")
    for digit_index in range(8, 0, -1):
        nibble = _NIBBLE[text[hash_positions - digit_index]]
        counts = digit_index <= digits
        is_valid &= (nibble < 16) | ~counts
        identifier = np.where(counts, identifier << 4 | nibble, identifier)
    return identifier, digits, is_valid


def _parse_payloads(text: ByteArray, first: Ints, end: Ints) -> tuple[ByteArray, Ints, BoolArray]:
    """Return payloads of shape (n, 8), their lengths, and whether they are whole bytes in hex."""
    width = end - first
    is_valid = (width >= 0) & (width <= 16) & (width % 2 == 0)
    nibble = _NIBBLE[text[first[:, None] + np.arange(16)]]
    inside = np.arange(16) < width[:, None]
    is_valid &= ((nibble < 16) | ~inside).all(axis=1)
    nibble[~inside] = 0
    data = nibble[:, 0::2] << 4 | nibble[:, 1::2]
    return data, width // 2, is_valid


def _parse_channel_names(text: ByteArray, first: Ints, end: Ints) -> tuple[list[object], BoolArray]:
    """Return the channel names between `first` and `end`, and whether each is a single word.

    A log has few channels: each round of the loop parses one name and finds all lines that have it.
    """
    n = len(first)
    width = end - first
    is_valid = (width > 0) & (width <= 16)
    unnamed_rows = is_valid.copy()
    number = np.zeros(n, np.intp)
    names: list[object] = []
    while unnamed_rows.any():
        row = int(unnamed_rows.argmax())
        name = text[first[row] : end[row]]
        is_same = unnamed_rows & (width == len(name))
        for letter_index, letter in enumerate(name):
            is_same &= text[first + letter_index] == letter
        number[is_same] = len(names)
        unnamed_rows &= ~is_same
        word = name.tobytes()
        if not word.isascii() or word.split() != [word] or word.isdigit():
            is_valid &= ~is_same
        names.append(word.decode(errors="replace"))
    if len(names) <= 1:
        return (names or [""]) * n, is_valid
    return [names[row_index] for row_index in number.tolist()], is_valid
