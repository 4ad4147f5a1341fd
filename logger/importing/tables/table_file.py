"""A table on disk, CSV or Parquet, in blocks of rows: which columns it has, and their cells.

Cells of CSV are text; what they mean is read elsewhere. Memory does not grow with the table. Rows
count from 1 below the line that names the columns, blank lines not counted.
"""

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from logger.arrays import Ints
from logger.errors import InputError
from logger.joint.bench.table_settings import TableSettings
from logger.settings_file import did_you_mean

__all__ = ["TABLE_SUFFIXES", "TableBlock", "TableFile", "is_table_name"]

TABLE_SUFFIXES: Final = (".csv", ".tsv", ".txt", ".parquet")
CSV_BLOCK_BYTES: Final = 1 << 22
"""Bytes of a CSV file at a time."""
ROWS_AT_ONCE: Final = 65_536
SEPARATORS: Final = (",", ";", "\t", "|")
_HEAD_BYTES: Final = 1 << 20
"""The line with the names of the columns is looked for in so many."""


def is_table_name(path: Path) -> bool:
    """Return whether a file's name is one of a table of values; that of a log may be as well."""
    return path.suffix.lower() in TABLE_SUFFIXES


@dataclass(frozen=True, slots=True, kw_only=True)
class TableBlock:
    """Some rows of a table."""

    rows: Ints
    """Number of each row, from 1, shape (n,)."""
    columns: Mapping[str, pa.ChunkedArray]
    """Name -> n cells; of CSV they are text, null where blank."""


@dataclass(slots=True, kw_only=True)
class TableFile:
    """A table that is read once, from its beginning to its end."""

    path: Path
    settings: TableSettings
    uneven_rows: dict[int, str] = field(default_factory=dict)
    """Row -> its text, of rows with more or fewer cells than the table has columns: left out. Their
    texts are kept of the first few only."""

    def column_names(self) -> list[str]:
        """Return the names of the columns, in their order.

        Raises
        ------
        InputError
            There is no such table, or it cannot be read.
        """
        self._check_path()
        try:
            if self._is_parquet:
                with pq.ParquetFile(self.path) as file:
                    return list(file.schema_arrow.names)
            return self._split_head(self._separator())
        except (OSError, pa.ArrowInvalid, UnicodeError) as fault:
            raise self._unreadable(fault) from None

    def read_blocks(self, wanted: Sequence[str]) -> Iterator[TableBlock]:
        """Yield the wanted columns, some rows at a time.

        Raises
        ------
        InputError
            There is no such table or column, it cannot be read, or has a wanted name twice.
        """
        self._check_path()
        wanted = list(dict.fromkeys(wanted))
        try:
            if self._is_parquet:
                yield from self._read_parquet(wanted)
            else:
                yield from self._read_csv(wanted)
        except (OSError, pa.ArrowInvalid, UnicodeError) as fault:
            raise self._unreadable(fault) from None

    @property
    def _is_parquet(self) -> bool:
        return self.path.suffix.lower() == ".parquet"

    def _check_path(self) -> None:
        if not is_table_name(self.path):
            raise InputError(
                f"{self.path}: found a file that ends in {self.path.suffix!r}, expected a table of "
                f"values: {', '.join(TABLE_SUFFIXES)}."
            )
        if not self.path.is_file():
            raise InputError(f"{self.path}: there is no such table.")

    def _unreadable(self, fault: Exception) -> InputError:
        hint = (
            " Say how its text is encoded with --encoding, such as cp1252."
            if isinstance(fault, UnicodeError)
            else " Where its text is not UTF-8, say --encoding."
            if not self._is_parquet and self.settings.encoding == "utf-8"
            else ""
        )
        return InputError(f"{self.path}: this table cannot be read ({fault}).{hint}")

    def _read_parquet(self, wanted: list[str]) -> Iterator[TableBlock]:
        with pq.ParquetFile(self.path) as file:
            self._check_names(wanted, file.schema_arrow.names)
            first_row = 1
            for batch in file.iter_batches(ROWS_AT_ONCE, columns=wanted):
                table = pa.Table.from_batches([batch])
                yield TableBlock(
                    rows=np.arange(first_row, first_row + table.num_rows, dtype=np.int64),
                    columns={name: _decoded(table[name]) for name in wanted},
                )
                first_row += table.num_rows

    def _read_csv(self, wanted: list[str]) -> Iterator[TableBlock]:
        separator = self._separator()
        names = self._split_head(separator)
        self._check_names(wanted, names)
        next_row = 1
        with pa.csv.open_csv(
            self.path,
            # One thread: only so do rows that are left out have their numbers.
            read_options=pa.csv.ReadOptions(
                block_size=CSV_BLOCK_BYTES,
                use_threads=False,
                column_names=names,
                skip_rows=self.settings.skip_lines + 1,
                encoding=self.settings.encoding,
            ),
            parse_options=pa.csv.ParseOptions(
                delimiter=separator, newlines_in_values=True, invalid_row_handler=self._note_uneven
            ),
            # Read as text and converted elsewhere, so that what is no number is told by its row.
            convert_options=pa.csv.ConvertOptions(
                include_columns=wanted,
                column_types=dict.fromkeys(wanted, pa.string()),
                null_values=[""],
                strings_can_be_null=True,
            ),
        ) as reader:
            for batch in reader:
                table = pa.Table.from_batches([batch])
                rows, next_row = self._number_rows(next_row, table.num_rows)
                yield TableBlock(rows=rows, columns={name: table[name] for name in wanted})

    def _note_uneven(self, row: "pa.csv.InvalidRow") -> str:
        number = (row.number or 1) - self.settings.skip_lines - 1
        self.uneven_rows[number] = row.text[:80] if len(self.uneven_rows) < 3 else ""
        return "skip"

    def _number_rows(self, next_row: int, count: int) -> tuple[Ints, int]:
        """Return the numbers of `count` rows from one on, past those that were left out."""
        rows = np.arange(next_row, next_row + count, dtype=np.int64)
        if not self.uneven_rows or count == 0:
            return rows, next_row + count
        uneven = np.fromiter(self.uneven_rows, np.int64)
        span = count
        while len(rows := rows[~np.isin(rows, uneven)]) < count:
            span += count - len(rows)
            rows = np.arange(next_row, next_row + span, dtype=np.int64)
        return rows, int(rows[-1]) + 1

    def _head(self) -> str:
        """Return the line that names the columns."""
        with self.path.open(encoding=self.settings.encoding, newline="") as file:
            text = file.read(_HEAD_BYTES).removeprefix("\ufeff")
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        return lines[self.settings.skip_lines] if len(lines) > self.settings.skip_lines else ""

    def _split_head(self, separator: str) -> list[str]:
        head = self._head()
        names = next(csv.reader([head], delimiter=separator), []) if head.strip() else []
        if not names:
            raise InputError(
                f"{self.path}: this table cannot be read (found no line that names its columns)."
            )
        return [name.strip() for name in names]

    def _separator(self) -> str:
        """Return the stated separator, or the one that parts the columns of times from the rest."""
        if self.settings.separator:
            return self.settings.separator
        head = self._head()

        def found_with(separator: str) -> tuple[int, int]:
            names = self._split_head(separator) if head.strip() else []
            return sum(name in names for name in self.settings.time), len(names)

        return max(SEPARATORS, key=found_with)

    def _check_names(self, wanted: list[str], existing: Sequence[str]) -> None:
        for name in wanted:
            if name not in existing:
                raise InputError(
                    f"{self.path}: found no column {name!r}.{did_you_mean(name, list(existing))}"
                )
            if list(existing).count(name) > 1:
                raise InputError(
                    f"{self.path}: found {list(existing).count(name)} columns of the name "
                    f"{name!r}, expected one."
                )


def _decoded(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return a column whose values stand in a dictionary as these values."""
    kind = column.type
    return column.cast(kind.value_type) if pa.types.is_dictionary(kind) else column
