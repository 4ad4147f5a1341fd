"""Checksums of a part, over every byte that Parquet itself leaves unguarded.

    key "dutytrace sums" in the footer, value "crc32:" and 8 hexadecimal digits for each of
        the footer (as it is with "~" in place of all these digits),
        the row groups' column chunks, in the file's order

Parquet's own page checksums do not cover page headers and the footer, and a flipped byte there can
end the process that parses it. So the footer is verified before it is parsed, and a chunk before it
is decoded. Other readers of Parquet ignore the key.
"""

import os
import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.outside_text import open_regular
from logger.store.layout.remote import Location, RangeFile

__all__ = [
    "CHECKSUM_KEY",
    "chunk_checksum",
    "chunk_range",
    "read_footer",
    "restate_footer",
    "unknown_checksums",
    "write_checksums",
]

CHECKSUM_KEY: Final = b"dutytrace sums"
_CHECKSUM_MARK: Final = b"crc32:"
_CRC_DIGITS: Final = 8
_UNKNOWN_DIGIT: Final = b"~"
_CHECKSUM_VALUE = re.compile(
    re.escape(CHECKSUM_KEY) + rb".{1,8}?" + _CHECKSUM_MARK + rb"([0-9a-f]*~*)", re.DOTALL
)
_PARQUET_MAGIC: Final = b"PAR1"
_FOOTER_TAIL_BYTES: Final = 8
"""Length of the footer and the magic bytes."""
_FOOTER_READ_BYTES: Final = 65_536
"""Bytes of a file's end that are fetched at once from an address: most footers are shorter."""


def unknown_checksums(chunks: int) -> bytes:
    """Return the placeholder for the checksums of the footer and of `chunks` column chunks."""
    return _CHECKSUM_MARK + _UNKNOWN_DIGIT * (_CRC_DIGITS * (chunks + 1))


def write_checksums(file: IO[bytes]) -> None:
    """Fill the placeholder in a Parquet file that was written with `unknown_checksums`.

    The placeholder has the length of the checksums, so no byte of the file moves. Raises ValueError
    when there is none.
    """
    end = file.seek(0, os.SEEK_END)
    file.seek(end - _FOOTER_TAIL_BYTES)
    length = int.from_bytes(file.read(4), "little")
    begin = end - _FOOTER_TAIL_BYTES - length
    file.seek(begin)
    footer = file.read(length)
    value = _CHECKSUM_VALUE.search(footer)
    if value is None:
        raise ValueError("this Parquet file has no place for checksums")
    metadata = pq.read_metadata(pa.BufferReader(footer + _parse_footer_tail(length)))
    sums = [zlib.crc32(footer)]
    for group in range(metadata.num_row_groups):
        for column in range(metadata.num_columns):
            first, size = chunk_range(metadata, group, column)
            file.seek(first)
            sums.append(zlib.crc32(file.read(size)))
    text = b"".join(b"%08x" % chunk_crc for chunk_crc in sums)
    # An empty table may have no row group at all: the rest of the placeholder stays.
    file.seek(begin + value.start(1))
    file.write(text[: len(value[1])])
    file.seek(0, os.SEEK_END)


def restate_footer(file: IO[bytes], old: bytes, new: bytes) -> None:
    """Replace a value of the footer's metadata by one of the same length, and its checksum with it.

    The checksums of the column chunks stay as they are: damage in a copied chunk remains visible.
    Raises ValueError unless `old` stands there once.
    """
    end = file.seek(0, os.SEEK_END)
    file.seek(end - _FOOTER_TAIL_BYTES)
    length = int.from_bytes(file.read(4), "little")
    begin = end - _FOOTER_TAIL_BYTES - length
    file.seek(begin)
    footer = file.read(length)
    if len(old) != len(new) or footer.count(old) != 1:
        raise ValueError("its footer does not say whose part it is")
    footer = footer.replace(old, new)
    value = _CHECKSUM_VALUE.search(footer)
    if value is None or len(value[1]) < _CRC_DIGITS:
        raise ValueError("this Parquet file has no checksums")
    own_sum = b"%08x" % zlib.crc32(_without_digits(footer, value))
    first = value.start(1)
    file.seek(begin)
    file.write(footer[:first] + own_sum + footer[first + _CRC_DIGITS :])
    file.seek(0, os.SEEK_END)


def _without_digits(footer: bytes, value: re.Match[bytes]) -> bytes:
    """Return a footer as it was when its own checksum was computed."""
    return footer[: value.start(1)] + _UNKNOWN_DIGIT * len(value[1]) + footer[value.end(1) :]


def read_footer(path: Location) -> tuple[pq.FileMetaData, tuple[int, ...]]:
    """Return the footer of a Parquet file, and the checksums of its column chunks in order.

    () for a part of an older recorder, which wrote no checksums.

    Raises
    ------
    OSError
        The file cannot be read.
    ValueError
        It is cut, or its footer differs from what was written.
    """
    with _open_ends(path) as file:
        magic = file.read(len(_PARQUET_MAGIC))
        end = file.seek(0, os.SEEK_END)
        file.seek(max(0, end - _FOOTER_TAIL_BYTES))
        tail = file.read()
        length = int.from_bytes(tail[:4], "little")
        if (
            magic != _PARQUET_MAGIC
            or tail[4:] != _PARQUET_MAGIC
            or length + _FOOTER_TAIL_BYTES > end
        ):
            raise ValueError("it does not begin and end as a Parquet file: cut or overwritten")
        file.seek(end - _FOOTER_TAIL_BYTES - length)
        footer = file.read(length)
    value = _CHECKSUM_VALUE.search(footer)
    sums: tuple[int, ...] = ()
    if value is not None:
        digits = value[1].rstrip(_UNKNOWN_DIGIT)
        actual_checksum = b"%08x" % zlib.crc32(_without_digits(footer, value))
        if len(value[1]) % _CRC_DIGITS or digits[:_CRC_DIGITS] != actual_checksum:
            raise ValueError("its footer is not what was written")
        sums = tuple(
            int(digits[offset : offset + _CRC_DIGITS], 16)
            for offset in range(_CRC_DIGITS, len(digits), _CRC_DIGITS)
        )
    elif CHECKSUM_KEY in footer or _CHECKSUM_MARK in footer:
        raise ValueError("its footer is not what was written")
    metadata = pq.read_metadata(pa.BufferReader(footer + _parse_footer_tail(length)))
    if value is not None and len(sums) != metadata.num_row_groups * metadata.num_columns:
        raise ValueError("its footer is not what was written")
    return metadata, sums


def _open_ends(path: Location) -> IO[bytes] | RangeFile:
    """Open a file to read its beginning and end; at an address both are fetched in one request."""
    if isinstance(path, Path):
        return open_regular(path)
    size = path.size
    tail = min(size, _FOOTER_READ_BYTES)
    return RangeFile(path, [(0, min(size, len(_PARQUET_MAGIC))), (size - tail, tail)])


def chunk_checksum(
    read: Callable[[int, int], bytes], metadata: pq.FileMetaData, group: int, column: int
) -> int:
    """Return the present checksum of a column chunk; `read` takes first byte and length."""
    return zlib.crc32(read(*chunk_range(metadata, group, column)))


def chunk_range(metadata: pq.FileMetaData, group: int, column: int) -> tuple[int, int]:
    """Return first byte and length of a column chunk, its dictionary page included."""
    chunk = metadata.row_group(group).column(column)
    first = chunk.data_page_offset
    if chunk.has_dictionary_page:
        first = min(first, chunk.dictionary_page_offset)
    return first, chunk.total_compressed_size


def _parse_footer_tail(length: int) -> bytes:
    return length.to_bytes(4, "little") + _PARQUET_MAGIC
