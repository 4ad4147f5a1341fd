"""Sealed parts: Parquet files named by their range of rows, and how a span is read from them.

`part-000000000000-000000012345.parquet` holds the rows [0, 12345) of its stream. Row groups are of
about 16 k rows, so that a window never reads much more than itself; times in the footer say which.
What is read is compared with the checksums of `sums`: a damaged part is an error, never a number.
"""

import errno
import os
import re
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import InputError, OutsideFault
from logger.store.files import MANIFEST, make_folder, put
from logger.store.sums import KEY, chunk_sum, footer_of, stamp, unknown_sums

__all__ = ["ROW_GROUP", "Part", "list_parts", "part_name", "touching", "write_part"]

ROW_GROUP: Final = 16_384
_DAMAGED: Final = (OSError, ValueError, pa.ArrowException)
_ENCODINGS: Final = {
    pa.timestamp("ns").id: "DELTA_BINARY_PACKED",
    # Means: hardly two alike, but of like size.
    pa.float32().id: "BYTE_STREAM_SPLIT",
}
"""How columns are written whose values seldom repeat; all others have a dictionary."""
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
        _make_within_recording(folder)
    path = folder / part_name(first_row, first_row + table.num_rows if end_row is None else end_row)
    put(path, lambda file: _write(file, table))
    return path


def _make_within_recording(folder: Path) -> None:
    """Make a stream's folder; not where a recording was that has been moved away."""
    there = next(above for above in folder.parents if above.is_dir())
    # A level of the pyramid lies deepest, three folders down.
    if not any((above / MANIFEST).exists() for above in (there, *there.parents[:2])):
        raise FileNotFoundError(errno.ENOENT, "the recording is gone", str(folder))
    make_folder(folder)


def _write(file: IO[bytes], table: pa.Table) -> None:
    # A table that was read from a part brings the sums of that part.
    noted = {key: text for key, text in (table.schema.metadata or {}).items() if key != KEY}
    table = table.replace_schema_metadata(noted)
    encodings = {
        one.name: _ENCODINGS[one.type.id] for one in table.schema if one.type.id in _ENCODINGS
    }
    groups = max(1, -(-table.num_rows // ROW_GROUP))
    with pq.ParquetWriter(
        file,
        table.schema,
        compression="zstd",
        use_dictionary=[one.name for one in table.schema if one.name not in encodings],
        column_encoding=encodings,
        write_statistics=True,
    ) as writer:
        writer.write_table(table, row_group_size=ROW_GROUP)
        writer.add_key_value_metadata({KEY: unknown_sums(groups * table.num_columns)})
    stamp(file)


def list_parts(folder: Path) -> list["Part"]:
    """Return the parts of a folder in order of their rows.

    Raises
    ------
    OutsideFault
        The folder cannot be listed: what it holds is not known, which is not to hold nothing.
    """
    found = []
    try:
        for path in folder.iterdir():
            match = _NAME.fullmatch(path.name)
            if match:
                found.append(Part(path=path, first_row=int(match[1]), end_row=int(match[2])))
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: this folder of the recording cannot be listed ({fault.strerror or fault})."
        ) from fault
    return sorted(found, key=lambda part: part.first_row)


@dataclass(slots=True)
class Part:
    """One sealed part; its footer is read when it is first asked for."""

    path: Path
    first_row: int
    end_row: int
    _footer: pq.FileMetaData | None = None
    _sums: tuple[int, ...] = ()
    _damage: str | None = None
    _spans: tuple[tuple[int, int], ...] | None = None
    _compared: set[tuple[int, int]] = field(default_factory=set)

    @property
    def footer(self) -> pq.FileMetaData:
        """The Parquet footer; raises OSError, ValueError or pyarrow.ArrowException if damaged."""
        if self._footer is None:
            self._footer, self._sums = footer_of(self.path)
        return self._footer

    @property
    def damage(self) -> str:
        """Why the file cannot be read, empty when its footer is whole."""
        if self._damage is None:
            try:
                self.footer  # noqa: B018 - reading it is the question
            except FileNotFoundError as fault:
                # It may come: a copy that still runs, a disk that is put back.
                return fault.strerror or str(fault)
            except _DAMAGED as fault:
                self._damage = str(fault)
            else:
                self._damage = ""
        return self._damage

    def verify(self) -> str:
        """Read every byte and return what is damaged, empty when the part is whole."""
        if self.damage:
            return self.damage
        try:
            self._compare(range(self.footer.num_row_groups), range(self.footer.num_columns))
            if not self._sums:
                with pq.ParquetFile(self.path, metadata=self.footer) as file:
                    file.read()
        except _DAMAGED as fault:
            return str(fault)
        return ""

    def _compare(self, groups: Iterable[int], columns: Iterable[int]) -> None:
        """Compare column chunks with their sums, each once; raises ValueError at a difference."""
        wanted = {(group, column) for group in groups for column in columns} - self._compared
        if not self._sums or not wanted:
            return
        descriptor = os.open(self.path, os.O_RDONLY)
        try:
            for group, column in sorted(wanted):
                written = self._sums[group * self.footer.num_columns + column]
                if chunk_sum(descriptor, self.footer, group, column) != written:
                    name = self.footer.schema.column(column).path
                    first = self.first_row + group * ROW_GROUP
                    raise ValueError(f"{name} from row {first} on is not what was written")
        finally:
            os.close(descriptor)
        self._compared |= wanted

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
        return self._read(groups, columns) if groups else None

    def read_group(self, group: int) -> pa.Table:
        """Return one row group; raises InputError when it is damaged."""
        return self._read([group], None)

    def _read(self, groups: list[int], columns: Sequence[str] | None) -> pa.Table:
        try:
            self._compare(groups, self._places(columns))
            with pq.ParquetFile(self.path, metadata=self.footer) as file:
                return file.read_row_groups(
                    groups, columns=None if columns is None else list(columns)
                )
        except _DAMAGED as fault:
            raise InputError(
                f"{self.path}: this part is damaged and cannot be read ({fault}). `dutytrace seal` "
                "makes overviews anew; any other part, take it out of the recording: the rest can "
                "then be read, and `dutytrace check` says what is gone."
            ) from None

    def _places(self, columns: Sequence[str] | None) -> Sequence[int]:
        """Return where the columns stand in the file; parts hold flat columns only."""
        if columns is None:
            return range(self.footer.num_columns)
        names = self.footer.schema.names
        return [names.index(name) for name in columns if name in names]


def _ns(value: object) -> int:
    return int(value)  # type: ignore[call-overload, no-any-return]


def touching(parts: Sequence[Part], *, start_ns: int, end_ns: int) -> Sequence[Part]:
    """Return those of the parts of a time-ordered stream that may touch [start_ns, end_ns).

    Found by halving, so that a window of a long recording reads a dozen footers and not all.
    """
    try:
        first = bisect_left(parts, start_ns, key=lambda part: part.spans[-1][1])
        behind = bisect_left(parts, end_ns, key=lambda part: part.spans[0][0])
    except IndexError:
        # One without a time, damaged or empty, says nothing of where to go on.
        return parts
    return parts[first:behind]
