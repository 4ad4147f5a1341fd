"""Sealed parts: Parquet files named by their range of rows, and how a span is read from them.

`part-000000000000-000000012345.parquet` holds the rows [0, 12345) of its stream. Row groups are of
about 16 k rows, so that a window never reads much more than itself; times in the footer say which.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import InputError
from logger.store.files import make_folder, put

__all__ = ["ROW_GROUP", "Part", "list_parts", "part_name", "write_part"]

ROW_GROUP: Final = 16_384
_NAME = re.compile(r"part-(\d{12})-(\d{12})\.parquet")


def part_name(first_row: int, end_row: int) -> str:
    """Return the file name of the part with rows [first_row, end_row)."""
    return f"part-{first_row:012d}-{end_row:012d}.parquet"


def write_part(
    folder: Path, table: pa.Table, *, first_row: int, end_row: int | None = None
) -> Path:
    """Write rows as a part, whole or not at all; returns its path.

    `end_row` names a part whose table tells *of* the rows (an overview) and does not hold them.
    """
    if not folder.is_dir():
        make_folder(folder)
    path = folder / part_name(first_row, first_row + table.num_rows if end_row is None else end_row)
    times = [field.name for field in table.schema if pa.types.is_timestamp(field.type)]
    dictionary = [field.name for field in table.schema if field.name not in times]
    put(
        path,
        lambda file: pq.write_table(
            table,
            file,
            row_group_size=ROW_GROUP,
            compression="zstd",
            use_dictionary=dictionary,
            column_encoding=dict.fromkeys(times, "DELTA_BINARY_PACKED"),
            write_statistics=True,
        ),
    )
    return path


def list_parts(folder: Path) -> list["Part"]:
    """Return the parts of a folder in order of their rows."""
    found = []
    try:
        for path in folder.iterdir():
            match = _NAME.fullmatch(path.name)
            if match:
                found.append(Part(path=path, first_row=int(match[1]), end_row=int(match[2])))
    except FileNotFoundError:
        return []
    return sorted(found, key=lambda part: part.first_row)


@dataclass(slots=True)
class Part:
    """One sealed part; its footer is read when it is first asked for."""

    path: Path
    first_row: int
    end_row: int
    _footer: pq.FileMetaData | None = None
    _spans: tuple[tuple[int, int], ...] | None = None

    @property
    def footer(self) -> pq.FileMetaData:
        """The Parquet footer; raises OSError or pyarrow.ArrowInvalid when the file is not whole."""
        if self._footer is None:
            self._footer = pq.read_metadata(self.path)
        return self._footer

    @property
    def damage(self) -> str:
        """Why the file cannot be read, empty when its footer is whole."""
        try:
            self.footer  # noqa: B018 - reading it is the question
        except (OSError, pa.ArrowInvalid) as fault:
            return str(fault)
        return ""

    @property
    def metadata(self) -> dict[bytes, bytes]:
        """What was noted in the file beside its rows; nothing in a damaged one."""
        return {} if self.damage else dict(self.footer.metadata or {})

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """First and last time of every row group, nanoseconds; none in a damaged file."""
        if self._spans is None:
            spans = []
            for index in range(0 if self.damage else self.footer.num_row_groups):
                statistics = self.footer.row_group(index).column(0).statistics
                if statistics is not None and statistics.has_min_max:
                    spans.append((_ns(statistics.min_raw), _ns(statistics.max_raw)))
            self._spans = tuple(spans)
        return self._spans

    def read(
        self, *, start_ns: int, end_ns: int, columns: Sequence[str] | None = None
    ) -> pa.Table | None:
        """Return the row groups that touch [start_ns, end_ns), None when none does.

        Raises
        ------
        InputError
            Rows of the file are damaged; one whose footer is damaged has no rows at all.
        """
        groups = [
            index
            for index, (first, last) in enumerate(self.spans)
            if last >= start_ns and first < end_ns
        ]
        if not groups:
            return None
        try:
            with pq.ParquetFile(self.path, metadata=self.footer) as file:
                return file.read_row_groups(
                    groups, columns=None if columns is None else list(columns)
                )
        except (OSError, pa.ArrowInvalid) as fault:
            raise InputError(
                f"{self.path}: this part is damaged and cannot be read ({fault}). Take it out of "
                "the recording; the rest can then be read, and `dutytrace check` says what is gone."
            ) from None


def _ns(value: object) -> int:
    return int(value)  # type: ignore[call-overload, no-any-return]
