"""Writes a part: named by its rows, in row groups, with its checksums.

`part-000000000000-000000012345.parquet` holds the rows [0, 12345) of its stream. Row groups are of
about 16 k rows, so that a window never reads much more than itself.
"""

import errno
from pathlib import Path
from typing import IO, Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.layout.files import MANIFEST_FILE, make_folder, write_atomically
from logger.store.parts.checksums import CHECKSUM_KEY, unknown_checksums, write_checksums

__all__ = ["ROW_GROUP_ROWS", "part_name", "write_part"]

ROW_GROUP_ROWS: Final = 16_384
_ENCODINGS: Final = {
    pa.timestamp("ns").id: "DELTA_BINARY_PACKED",
    # Means of tenths: hardly two are equal, but they have similar exponents.
    pa.float32().id: "BYTE_STREAM_SPLIT",
}
"""Encodings of columns whose values seldom repeat; all others have a dictionary."""


def part_name(first_row: int, end_row: int) -> str:
    """Return the file name of the part with rows [first_row, end_row)."""
    return f"part-{first_row:012d}-{end_row:012d}.parquet"


def write_part(
    folder: Path, table: pa.Table, *, first_row: int, end_row: int | None = None
) -> Path:
    """Write rows as a part, whole or not at all; returns its path.

    `end_row`: for a part of the pyramid, whose table covers the rows [first_row, end_row) but does
    not hold them; None: after the table's own rows. Raises OSError.
    """
    if not folder.is_dir():
        _make_stream_folder(folder)
    path = folder / part_name(first_row, first_row + table.num_rows if end_row is None else end_row)
    write_atomically(path, lambda file: _write_parquet(file, table))
    return path


def _make_stream_folder(folder: Path) -> None:
    """Make a stream's folder; raises FileNotFoundError where the recording was moved away."""
    existing = next(parent for parent in folder.parents if parent.is_dir())
    # A level of the pyramid is deepest, three folders below the recording.
    if not any((parent / MANIFEST_FILE).exists() for parent in (existing, *existing.parents[:2])):
        raise FileNotFoundError(errno.ENOENT, "the recording is gone", str(folder))
    make_folder(folder)


def _write_parquet(file: IO[bytes], table: pa.Table) -> None:
    # A table that was read from a part still has the checksums of that part.
    with_metadata = {
        key: text for key, text in (table.schema.metadata or {}).items() if key != CHECKSUM_KEY
    }
    table = table.replace_schema_metadata(with_metadata)
    encodings = {
        column.name: _ENCODINGS[column.type.id]
        for column in table.schema
        if column.type.id in _ENCODINGS
    }
    groups = max(1, -(-table.num_rows // ROW_GROUP_ROWS))
    with pq.ParquetWriter(
        file,
        table.schema,
        compression="zstd",
        use_dictionary=[column.name for column in table.schema if column.name not in encodings],
        column_encoding=encodings,
        write_statistics=True,
    ) as writer:
        writer.write_table(table, row_group_size=ROW_GROUP_ROWS)
        writer.add_key_value_metadata({CHECKSUM_KEY: unknown_checksums(groups * table.num_columns)})
    write_checksums(file)
