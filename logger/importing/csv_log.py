"""Reads the CSV logs of python-can as columns, a block at a time; an unusual block is left to it.

    timestamp,arbitration_id,extended,remote,error,dlc,data
    1795000000.123456,0x2c3,0,0,0,8,ABEiM0RVZnc=

The columns are split by pyarrow; stamps become decimals there, so that no digit is lost. A block
that holds anything else than such lines is read by python-can itself, which also words what is
wrong with it. That both give the same is a property test.
"""

import io
from collections.abc import Iterator
from typing import IO, Final

import can
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
from numpy.typing import NDArray

from logger.importing.log_blocks import read_line_blocks
from logger.importing.log_stamps import MAX_STAMP_NS, LogLines, stamp_reader
from logger.importing.message_batch import MessageBatch, read_whole_batch
from logger.joint.batch import CLASSIC_BYTES, ERROR, EXTENDED, REMOTE, FrameBatch

__all__ = ["read_csv_log"]

_COLUMNS: Final = ("timestamp", "identifier", "extended", "remote", "error", "length", "data")
_TYPES: Final = {
    "timestamp": pa.decimal128(38, 9),
    **dict.fromkeys(("identifier", "extended", "remote", "error", "data"), pa.binary()),
    "length": pa.int64(),
}
_HEAD: Final = b"head\n"
_MAX_TEXT: Final = 12
"""Signs of eight bytes in base 64."""
_MAX_DIGITS: Final = 10
"""Of an identifier, with 0x before them."""
_MAX_IDENTIFIER: Final = 0x1FFFFFFF
_NOT_ONE: Final = 255


def _values_of(signs: bytes) -> NDArray[np.uint8]:
    table = np.full(256, _NOT_ONE, np.uint8)
    table[np.frombuffer(signs, np.uint8)] = np.arange(len(signs))
    return table


_SEXTETS: Final = _values_of(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/")
_NIBBLES: Final = _values_of(b"0123456789abcdef")


def read_csv_log(file: IO[bytes]) -> Iterator[tuple[MessageBatch, Exception | None]]:
    """Yield (batch, fault) block by block; a fault that ended the reading early is in the last."""
    is_first = True
    for block, torn in read_line_blocks(file):
        if torn is not None:
            yield MessageBatch(), torn
            return
        columns, fault = _parse_block(block, with_head=is_first)
        is_first = False
        yield columns, fault
        if fault is not None:
            return


def _parse_block(block: bytes, *, with_head: bool) -> tuple[MessageBatch, Exception | None]:
    plain = block.replace(b"\r\n", b"\n")
    if with_head:
        plain = plain.partition(b"\n")[2]
        if not plain and b"\r" not in block:
            return MessageBatch(), None
    frames = None if b"\r" in plain else _parse_columns(plain)
    if frames is not None:
        return MessageBatch(frames=[frames], channels=[None] * len(frames)), None
    lines = LogLines(io.BytesIO(block if with_head else _HEAD + block), "utf-8", errors="replace")
    reader = can.CSVReader(lines)
    return read_whole_batch(iter(reader), stamp_reader(reader, lines))


def _parse_columns(text: bytes) -> FrameBatch | None:
    """Return the frames of whole lines; None where one of them is not regular."""
    try:
        table = pa.csv.read_csv(
            pa.BufferReader(text),
            read_options=pa.csv.ReadOptions(
                column_names=_COLUMNS, use_threads=False, block_size=len(text) + 1
            ),
            parse_options=pa.csv.ParseOptions(
                quote_char=False, escape_char=False, ignore_empty_lines=False
            ),
            convert_options=pa.csv.ConvertOptions(
                column_types=_TYPES, null_values=[], strings_can_be_null=False
            ),
        ).combine_chunks()
    except pa.ArrowInvalid:
        return None
    columns = {name: table[name].chunk(0) for name in _COLUMNS}
    identifier = _parse_identifiers(columns["identifier"])
    payload = _parse_payloads(columns["data"])
    if identifier is None or payload is None:
        return None
    data, length = payload
    flags = np.zeros(len(identifier), np.uint8)
    for name, flag in (("extended", EXTENDED), ("remote", REMOTE), ("error", ERROR)):
        mark = _parse_mark(columns[name])
        if mark is None:
            return None
        flags |= mark * np.uint8(flag)
    remote = (flags & REMOTE) != 0
    if remote.any():
        # A remote frame carries nothing: it gets as many zeros as the length that it asks for.
        asked = columns["length"].to_numpy()
        if (asked < 0).any():
            return None
        data[remote] = 0
        length[remote] = np.minimum(asked[remote], CLASSIC_BYTES)
    # A decimal of pyarrow is a whole number of 128 bits, the lower half first.
    halves = np.frombuffer(columns["timestamp"].buffers()[1], np.int64)
    stamps, high = halves[: 2 * len(identifier) : 2], halves[1 : 2 * len(identifier) : 2]
    is_stamp = (high == 0) & (stamps >= 0) & (stamps < MAX_STAMP_NS)
    return FrameBatch(
        time_ns=np.where(is_stamp, stamps, 0),
        identifier=identifier,
        flags=flags,
        length=length,
        data=data,
        bus=np.zeros(len(identifier), np.uint8),
    )


def _parse_mark(column: pa.Array) -> NDArray[np.uint8] | None:
    """Return 0 and 1 as numbers; None where there is anything else."""
    ones = pc.equal(column, pa.scalar(b"1", pa.binary()))
    if not pc.all(pc.or_(ones, pc.equal(column, pa.scalar(b"0", pa.binary())))).as_py():
        return None
    mark: NDArray[np.uint8] = ones.cast(pa.uint8()).to_numpy()
    return mark


def _signs(column: pa.Array, width: int) -> tuple[NDArray[np.uint8], NDArray[np.int64]] | None:
    """Return the bytes of texts, shape (n, width), and how many each has; None: some are longer."""
    n = len(column)
    _, offsets, values = column.buffers()
    starts = np.frombuffer(offsets, np.int32)[: n + 1].astype(np.int64)
    count = np.diff(starts)
    if n == 0 or count.max() > width:
        return None
    text = np.frombuffer(bytes(values or b"") + bytes(width), np.uint8)
    return text[starts[:-1, None] + np.arange(width)], count


def _parse_identifiers(column: pa.Array) -> NDArray[np.uint32] | None:
    found = _signs(column, _MAX_DIGITS)
    if found is None:
        return None
    text, count = found
    nibble = _NIBBLES[text]
    place = np.arange(_MAX_DIGITS)
    is_digit = (place >= 2) & (place < count[:, None])
    is_regular = ((text[:, 0] == ord("0")) & (text[:, 1] == ord("x")) & (count > 2)).all() and (
        (nibble < 16) | ~is_digit
    ).all()
    if not is_regular:
        return None
    identifier = np.zeros(len(text), np.int64)
    for index in range(2, int(count.max())):
        identifier = np.where(is_digit[:, index], identifier << 4 | nibble[:, index], identifier)
    return identifier.astype(np.uint32) if identifier.max() <= _MAX_IDENTIFIER else None


def _parse_payloads(column: pa.Array) -> tuple[NDArray[np.uint8], NDArray[np.uint8]] | None:
    """Return payloads of shape (n, 8) and their lengths; None where one is not regular base 64."""
    found = _signs(column, _MAX_TEXT)
    if found is None:
        return None
    text, count = found
    place = np.arange(_MAX_TEXT)
    inside = place < count[:, None]
    padding = ((text == ord("=")) & inside).sum(axis=1)
    is_sign = place < (count - padding)[:, None]
    sextet = _SEXTETS[text]
    length = count // 4 * 3 - padding
    is_regular = (
        (count % 4 == 0)
        & (padding <= 2)
        & ((padding == 0) | (count > 0))
        & (length <= CLASSIC_BYTES)
    ).all() and ((sextet < 64) | ~is_sign).all()
    if not is_regular:
        return None
    groups = np.where(is_sign, sextet, 0).astype(np.uint32).reshape(len(text), -1, 4)
    word = groups[..., 0] << 18 | groups[..., 1] << 12 | groups[..., 2] << 6 | groups[..., 3]
    octets = np.stack([word >> 16, word >> 8 & 255, word & 255], axis=-1).astype(np.uint8)
    data = np.ascontiguousarray(octets.reshape(len(text), -1)[:, :CLASSIC_BYTES])
    data[np.arange(CLASSIC_BYTES) >= length[:, None]] = 0
    return data, length.astype(np.uint8)
