"""Writes a part: named by its rows, in row groups, with its checksums and whose it is.

`part-000000000000-000000012345.parquet` holds the rows [0, 12345) of its stream. Row groups are of
about 16 k rows, so that a window never reads much more than itself.
"""

import errno
import shutil
from pathlib import Path
from typing import IO, Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.layout.files import MANIFEST_FILE, make_folder, write_atomically
from logger.store.parts.checksums import (
    CHECKSUM_KEY,
    restate_footer,
    unknown_checksums,
    write_checksums,
)
from logger.store.parts.identity import IDENTITY_KEY, PartIdentity, PartOwner
from logger.store.parts.part import Part

__all__ = ["ROW_GROUP_ROWS", "copy_part", "part_name", "write_part"]

ROW_GROUP_ROWS: Final = 16_384
_COPY_BYTES: Final = 1 << 20
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
    folder: Path,
    table: pa.Table,
    *,
    first_row: int,
    end_row: int | None = None,
    owner: PartOwner | None = None,
) -> Path:
    """Write rows as a part, whole or not at all; returns its path.

    Parameters
    ----------
    end_row
        For a part of the pyramid, whose table covers the rows [first_row, end_row) but does not
        hold them; None: after the table's own rows.
    owner
        The recording and stream that it states; None: none, a part that belongs to no recording.

    Raises
    ------
    OSError
        The disk took no more, or the recording is gone.
    """
    if not folder.is_dir():
        _make_stream_folder(folder)
    end_row = first_row + table.num_rows if end_row is None else end_row
    path = folder / part_name(first_row, end_row)
    identity = None if owner is None else owner.part(first_row, end_row)
    write_atomically(path, lambda file: _write_parquet(file, table, identity))
    return path


def copy_part(part: Part, folder: Path, owner: PartOwner) -> None:
    """Copy a part into another recording, whole or not at all: the same bytes, but whose it is.

    Raises
    ------
    OSError
        It cannot be read, or the disk took no more.
    ValueError
        The part does not say whose it is.
    """
    if part.owner is None:
        raise ValueError("it is not known whose part this is")
    stated = part.owner.part(part.first_row, part.end_row).to_bytes()
    restated = owner.part(part.first_row, part.end_row).to_bytes()

    def copy_restated(file: IO[bytes]) -> None:
        with part.path.open("rb") as source:
            shutil.copyfileobj(source, file, _COPY_BYTES)
        restate_footer(file, stated, restated)

    if not folder.is_dir():
        _make_stream_folder(folder)
    write_atomically(folder / part.name, copy_restated)


def _make_stream_folder(folder: Path) -> None:
    """Make a stream's folder; raises FileNotFoundError where the recording was moved away."""
    existing = next(parent for parent in folder.parents if parent.is_dir())
    # A level of the pyramid is deepest, three folders below the recording.
    if not any((parent / MANIFEST_FILE).exists() for parent in (existing, *existing.parents[:2])):
        raise FileNotFoundError(errno.ENOENT, "the recording is gone", str(folder))
    make_folder(folder)


def _write_parquet(file: IO[bytes], table: pa.Table, identity: PartIdentity | None) -> None:
    # A table that was read from a part still has what belongs to that part alone.
    with_metadata = {
        key: text
        for key, text in (table.schema.metadata or {}).items()
        if key not in {CHECKSUM_KEY, IDENTITY_KEY}
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
        stated = {} if identity is None else {IDENTITY_KEY: identity.to_bytes()}
        sums = {CHECKSUM_KEY: unknown_checksums(groups * table.num_columns)}
        writer.add_key_value_metadata({**stated, **sums})
    write_checksums(file)
