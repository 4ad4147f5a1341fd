"""The lines of a SocketCAN text log, a block at a time; what is unusual goes to python-can.

A plain line is a classic data frame with a date:

    (1795000000.123456) can0 2C3#0011223344556677 R
     ^1         ^12    ^19   ^# is looked for        ^or T, or nothing

All plain lines of a block are taken at once. Every other line (CAN FD, remote and error frames,
other forms of time) is read by python-can itself and put back in its place. That the whole is what
python-can gives line by line is a property test.
"""

import io
from collections.abc import Iterator
from typing import IO, Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.importing.message_batch import Columns, gather
from logger.joint.batch import EXTENDED, SENT, FrameBatch

__all__ = ["gathered_lines"]

BLOCK: Final = 1 << 20
"""Bytes read at a time: some 20,000 lines."""
_PAD: Final = 32
_NIBBLE: Final = np.full(256, 255, np.uint8)
_NIBBLE[np.frombuffer(b"0123456789abcdef", np.uint8)] = np.arange(16)
_NIBBLE[np.frombuffer(b"0123456789ABCDEF", np.uint8)] = np.arange(16)
_EVEN: Final = np.arange(0, 16, 2)
_ID_MOST: Final = 0x1FFFFFFF
_CHANNEL_AT: Final = 20

Bytes = NDArray[np.uint8]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


def gathered_lines(file: IO[bytes]) -> Iterator[tuple[Columns, Exception | None]]:
    """Yield what stands in a log, block by block; with the last what ended the reading."""
    left = b""
    while True:
        try:
            block = file.read(BLOCK)
        except (OSError, EOFError) as torn:
            yield Columns(), torn
            return
        if not block:
            if left:
                yield _block(left + b"\n")
            return
        whole, newline, rest = (left + block).rpartition(b"\n")
        left = rest
        if newline:
            columns, fault = _block(whole + newline)
            yield columns, fault
            if fault is not None:
                return


def _block(block: bytes) -> tuple[Columns, Exception | None]:
    """Return what stands in whole lines, up to one that is none."""
    text = np.frombuffer(block + bytes(_PAD), np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    starts = np.append(0, ends[:-1] + 1)
    plain, frames, channels = _plain(text, starts, ends)
    if plain.all():
        return Columns(frames=[frames], channel=channels), None
    odd = np.flatnonzero(~plain)
    lines = [block[starts[place] : ends[place]] for place in odd.tolist()]
    kept = [place for place, line in enumerate(lines) if line.strip()]
    text_of_odd = b"\n".join(lines[place] for place in kept).decode(errors="replace")
    others, fault = _read(text_of_odd)
    # Up to the line at which python-can gave up; without one, all of them.
    places = np.concatenate((np.flatnonzero(plain), odd[kept[: len(others)]]))
    order = np.argsort(places)
    if fault is not None:
        order = order[: np.count_nonzero(places < odd[kept[len(others)]])]
    whole = FrameBatch.joined([frames, others.batch()]).taken(order)
    named = [*channels, *others.channel]
    return Columns(frames=[whole], channel=[named[place] for place in order.tolist()]), fault


def _read(text: str) -> tuple[Columns, Exception | None]:
    messages = iter(can.CanutilsLogReader(io.StringIO(text)))
    columns, fault = gather(messages)
    while fault is None:
        more, fault = gather(messages)
        if len(more) == 0:
            break
        columns.frames += more.frames
        columns.channel += more.channel
    return columns, fault


def _plain(text: Bytes, starts: Ints, ends: Ints) -> tuple[Flags, FrameBatch, list[object]]:
    """Return which lines are plain, and their frames and channels."""
    hashes = np.flatnonzero(text == ord("#"))
    first = np.searchsorted(hashes, starts)
    plain = first < len(hashes)
    at = np.append(hashes, 0)[np.minimum(first, len(hashes))]
    plain &= (at < ends) & (at >= starts + _CHANNEL_AT + 5)
    for offset, sign in ((0, "("), (11, "."), (18, ")"), (19, " ")):
        plain &= text[starts + offset] == ord(sign)
    rows = np.flatnonzero(plain)
    start, end, at = starts[rows], ends[rows], at[rows]
    micros, timed = _decimal(text, start)
    marked = (text[end - 2] == ord(" ")) & np.isin(text[end - 1], np.frombuffer(b"RTrt", np.uint8))
    sent = marked & np.isin(text[end - 1], np.frombuffer(b"Tt", np.uint8))
    identifier, digits, told = _identifier(text, at)
    data, length, whole = _payload(text, at + 1, np.where(marked, end - 2, end))
    channel, named = _channels(text, start + _CHANNEL_AT, at - digits - 1)
    good = timed & told & whole & named & (identifier <= _ID_MOST)
    plain[rows[~good]] = False
    if not good.all():
        micros, identifier, digits, sent = (
            column[good] for column in (micros, identifier, digits, sent)
        )
        data, length = data[good], length[good]
        channel = [one for one, kept in zip(channel, good.tolist(), strict=True) if kept]
    # Both are whole numbers below 2**53: the quotient is the float nearest to the decimal.
    stamp_s = micros / 1e6
    return (
        plain,
        FrameBatch(
            time_ns=np.rint(stamp_s * 1e9).astype(np.int64),
            identifier=identifier.astype(np.uint32),
            flags=(digits == 8) * np.uint8(EXTENDED) | sent * np.uint8(SENT),
            length=length.astype(np.uint8),
            data=data,
            bus=np.zeros(len(micros), np.uint8),
        ),
        channel,
    )


def _decimal(text: Bytes, start: Ints) -> tuple[NDArray[np.int64], Flags]:
    """Return the stamps in microseconds, and whether all their digits are."""
    micros = np.zeros(len(start), np.int64)
    good = np.ones(len(start), bool)
    for offset in (*range(1, 11), *range(12, 18)):
        digit = text[start + offset] - np.uint8(ord("0"))
        good &= digit <= 9
        micros = micros * 10 + digit
    return micros, good & (micros < 9_000_000_000_000_000)


def _identifier(text: Bytes, at: Ints) -> tuple[NDArray[np.int64], Ints, Flags]:
    """Return the identifiers, of how many digits, and whether they are of three or eight."""
    digits = np.where(text[at - 4] == ord(" "), 3, 8)
    identifier = np.zeros(len(at), np.int64)
    good = text[at - digits - 1] == ord(" ")
    for place in range(8, 0, -1):
        nibble = _NIBBLE[text[at - place]]
        counts = place <= digits
        good &= (nibble < 16) | ~counts
        identifier = np.where(counts, identifier << 4 | nibble, identifier)
    return identifier, digits, good


def _payload(text: Bytes, first: Ints, end: Ints) -> tuple[Bytes, Ints, Flags]:
    """Return payloads of shape (n, 8), their lengths, and whether they are whole bytes in hex."""
    width = end - first
    good = (width >= 0) & (width <= 16) & (width % 2 == 0)
    nibble = _NIBBLE[text[first[:, None] + np.arange(16)]]
    inside = np.arange(16) < width[:, None]
    good &= ((nibble < 16) | ~inside).all(axis=1)
    nibble[~inside] = 0
    data = nibble[:, 0::2] << 4 | nibble[:, 1::2]
    return data, width // 2, good


def _channels(text: Bytes, first: Ints, end: Ints) -> tuple[list[object], Flags]:
    """Return the names between `first` and `end`, and whether they are one word each."""
    n = len(first)
    width = end - first
    good = (width > 0) & (width <= 16)
    left = good.copy()
    number = np.zeros(n, np.intp)
    names: list[object] = []
    while left.any():
        row = int(left.argmax())
        name = text[first[row] : end[row]]
        same = left & (width == len(name))
        for place, letter in enumerate(name):
            same &= text[first + place] == letter
        number[same] = len(names)
        left &= ~same
        word = name.tobytes()
        if not word.isascii() or word.split() != [word] or word.isdigit():
            good &= ~same
        names.append(word.decode(errors="replace"))
    if len(names) <= 1:
        return (names or [""]) * n, good
    return [names[one] for one in number.tolist()], good
