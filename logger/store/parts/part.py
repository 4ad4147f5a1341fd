"""Sealed parts: Parquet files named by their range of rows, and how a span is read from them.

`part-000000000000-000000012345.parquet` holds the rows [0, 12345) of its stream. Row groups are of
about 16 k rows, so that a window never reads much more than itself; times in the footer say which.
What is read is compared with the checksums of `checksums`: a damaged part is an error, never a
number.
"""

import errno
import itertools
import os
import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import DutytraceError, InputError, OutsideFault
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.files import MANIFEST_FILE, make_folder, write_atomically
from logger.store.layout.remote import Address, Location, RangeFile
from logger.store.parts.checksums import (
    CHECKSUM_KEY,
    chunk_checksum,
    chunk_range,
    read_footer,
    unknown_checksums,
    write_checksums,
)

__all__ = [
    "ROW_GROUP_ROWS",
    "Part",
    "list_parts",
    "overlapping_parts",
    "part_name",
    "read_footers",
    "write_part",
]

ROW_GROUP_ROWS: Final = 16_384
_PARALLEL_FOOTERS: Final = 16
_DAMAGE_ERRORS: Final = (OSError, ValueError, pa.ArrowException)
_ENCODINGS: Final = {
    pa.timestamp("ns").id: "DELTA_BINARY_PACKED",
    # Means: hardly two alike, but of like size.
    pa.float32().id: "BYTE_STREAM_SPLIT",
}
"""How columns are written whose values seldom repeat; all others have a dictionary."""
_PART_NAME = re.compile(r"part-(\d{12})-(\d{12})\.parquet")


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
        _make_stream_folder(folder)
    path = folder / part_name(first_row, first_row + table.num_rows if end_row is None else end_row)
    write_atomically(path, lambda file: _write_parquet(file, table))
    return path


def _make_stream_folder(folder: Path) -> None:
    """Make a stream's folder; not where a recording was that has been moved away."""
    existing = next(parent for parent in folder.parents if parent.is_dir())
    # A level of the pyramid lies deepest, three folders down.
    if not any((parent / MANIFEST_FILE).exists() for parent in (existing, *existing.parents[:2])):
        raise FileNotFoundError(errno.ENOENT, "the recording is gone", str(folder))
    make_folder(folder)


def _write_parquet(file: IO[bytes], table: pa.Table) -> None:
    # A table that was read from a part brings the sums of that part.
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


def list_parts(folder: Location) -> list["Part"]:
    """Return the parts of a folder in order of their rows.

    Raises
    ------
    OutsideFault
        The folder cannot be listed: what it holds is not known, which is not to hold nothing.
    """
    parts = []
    try:
        for path in folder.iterdir():
            match = _PART_NAME.fullmatch(path.name)
            if match:
                parts.append(Part(location=path, first_row=int(match[1]), end_row=int(match[2])))
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: this folder of the recording cannot be listed ({fault.strerror or fault})."
        ) from fault
    return sorted(parts, key=lambda part: part.first_row)


@dataclass(frozen=True, slots=True)
class _Footer:
    """What a part's end says, and which of its column chunks were compared since it was read."""

    metadata: pq.FileMetaData
    checksums: tuple[int, ...]
    column_indices: Mapping[str, int]
    """Column -> its place in the file; parts hold flat columns only."""
    verified: set[tuple[int, int]] = field(default_factory=set)


class _Chunk(NamedTuple):
    """A decoded column chunk; None where the part has no such column."""

    values: pa.ChunkedArray | None


_FOOTER_CACHE: Final[ByteLruCache[_Footer]] = ByteLruCache(max_bytes=8 << 20)
_CHUNK_CACHE: Final[ByteLruCache[_Chunk]] = ByteLruCache(max_bytes=12 << 20)
"""Of all recordings that are open: enough for the window that is looked at, and the next."""
_PARSED_FACTOR: Final = 8
"""Bytes that a parsed footer takes for each of its bytes in the file, as measured."""
_CACHE_ENTRY_BYTES: Final = 512
"""About what keeping a column chunk takes beside its values."""
_WINDOW_GROUPS: Final = 4
"""Who reads more row groups of a part at once goes through it, and will not ask for them again."""
_part_numbers = itertools.count()


@dataclass(slots=True)
class Part:
    """One sealed part; its footer is read when it is first asked for, and again when it is gone."""

    location: Location
    first_row: int
    end_row: int
    _verify_error: str | None = None
    _spans: tuple[tuple[int, int], ...] | None = None
    # What is kept of a file is kept of this look at it: one of its name may come in its place.
    _number: int = field(default_factory=lambda: next(_part_numbers), repr=False, compare=False)

    @property
    def name(self) -> str:
        """Its file name."""
        return self.location.name

    @property
    def path(self) -> Path:
        """The file, of a part in a folder here: only such a one is moved, copied or removed."""
        assert isinstance(self.location, Path), "what lies at an address is only read"
        return self.location

    @property
    def footer(self) -> pq.FileMetaData:
        """The Parquet footer; raises OSError, ValueError or pyarrow.ArrowException if damaged."""
        return self._read_footer().metadata

    def _read_footer(self) -> _Footer:
        cached = _FOOTER_CACHE.get(self._number)
        if cached is None:
            metadata, sums = read_footer(self.location)
            column_indices = {
                name: column_index for column_index, name in enumerate(metadata.schema.names)
            }
            cached = _Footer(metadata, sums, column_indices)
            if self._spans is None:
                self._spans = _row_group_spans(metadata)
            _FOOTER_CACHE.put(
                self._number, cached, size_bytes=_PARSED_FACTOR * metadata.serialized_size
            )
        return cached

    @property
    def verify_error(self) -> str:
        """Why the file cannot be read, empty when its footer is whole."""
        if self._verify_error is None:
            try:
                self._read_footer()
            except FileNotFoundError as fault:
                # It may come: a copy that still runs, a disk that is put back.
                return fault.strerror or str(fault)
            except DutytraceError:
                # The store did not answer: that says nothing of the part.
                raise
            except _DAMAGE_ERRORS as fault:
                self._verify_error = str(fault)
            else:
                self._verify_error = ""
        return self._verify_error

    def verify_part(self) -> str:
        """Read every byte and return what is damaged, empty when the part is whole."""
        if self.verify_error:
            return self.verify_error
        try:
            end = self._read_footer()
            groups = range(end.metadata.num_row_groups)
            with self._verified_file(end, groups, end.column_indices.values()) as file:
                if not end.checksums:
                    file.read()
        except DutytraceError:
            raise
        except _DAMAGE_ERRORS as fault:
            return str(fault)
        return ""

    @contextmanager
    def _verified_file(
        self, end: _Footer, groups: Iterable[int], columns: Iterable[int]
    ) -> Iterator[pq.ParquetFile]:
        """Open the file once these column chunks are found to be what was written."""
        chunks = {(group, column) for column in columns for group in groups}
        if isinstance(self.location, Path):
            self._compare_local(self.location, end, chunks)
            with pq.ParquetFile(self.location, metadata=end.metadata) as file:
                yield file
            return
        # One fetch for both: what is compared is what is decoded.
        fetched = RangeFile(
            self.location, [chunk_range(end.metadata, *chunk) for chunk in sorted(chunks)]
        )
        self._verify_chunks(end, chunks, fetched.bytes_at)
        with pq.ParquetFile(fetched, metadata=end.metadata) as file:
            yield file

    def _compare_local(self, path: Path, end: _Footer, chunks: set[tuple[int, int]]) -> None:
        if not end.checksums or end.verified.issuperset(chunks):
            return
        descriptor = os.open(path, os.O_RDONLY)
        try:
            self._verify_chunks(end, chunks, lambda first, size: os.pread(descriptor, size, first))
        finally:
            os.close(descriptor)

    def _verify_chunks(
        self, end: _Footer, chunks: set[tuple[int, int]], read: Callable[[int, int], bytes]
    ) -> None:
        """Compare column chunks with their sums, each once; raises ValueError at a difference."""
        if not end.checksums:
            return
        unverified = chunks - end.verified
        for group, column in sorted(unverified):
            written = end.checksums[group * end.metadata.num_columns + column]
            if chunk_checksum(read, end.metadata, group, column) != written:
                name = end.metadata.schema.column(column).path
                first = self.first_row + group * ROW_GROUP_ROWS
                raise ValueError(f"{name} from row {first} on is not what was written")
        end.verified.update(unverified)

    @property
    def metadata(self) -> dict[bytes, bytes]:
        """What was noted in the file beside its rows; nothing in one that cannot be read."""
        try:
            return {} if self.verify_error else dict(self.footer.metadata or {})
        except DutytraceError:
            raise
        except _DAMAGE_ERRORS:
            # It was whole, and is gone since.
            return {}

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """First and last time of every row group, nanoseconds; none in a damaged file."""
        if self._spans is None and self.verify_error:
            return ()
        return self._spans or ()

    def read_span(
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
        return self._read_groups(groups, columns) if groups else None

    def read_group(self, group: int) -> pa.Table:
        """Return one row group; raises InputError when it is damaged."""
        return self._read_groups([group], None)

    def _read_groups(self, groups: list[int], columns: Sequence[str] | None) -> pa.Table:
        try:
            if columns is not None and len(groups) <= _WINDOW_GROUPS:
                return pa.concat_tables(self._cached_groups(groups, columns))
            return self._decode_runs([groups], columns)[0]
        except DutytraceError:
            raise
        except _DAMAGE_ERRORS as fault:
            raise InputError(
                f"{self.location}: this part is damaged and cannot be read ({fault}). `dutytrace "
                "seal` makes overviews anew; any other part, take it out of the recording: the "
                "rest can then be read, and `dutytrace check` says what is gone."
            ) from None

    def _cached_groups(self, groups: Sequence[int], columns: Sequence[str]) -> list[pa.Table]:
        """Return columns of some row groups, from what is kept as far as it is."""
        cached = {
            (group, name): _CHUNK_CACHE.get((self._number, group, name))
            for group in groups
            for name in columns
        }
        wanted_names = dict.fromkeys(name for (_, name), chunk in cached.items() if chunk is None)
        missing_groups = dict.fromkeys(
            group for (group, _), chunk in cached.items() if chunk is None
        )
        if wanted_names:
            tables = self._decode_runs([[group] for group in missing_groups], list(wanted_names))
            for group, table in zip(missing_groups, tables, strict=True):
                for name in wanted_names:
                    chunk = table[name] if name in table.column_names else None
                    size_bytes = _CACHE_ENTRY_BYTES + (0 if chunk is None else chunk.nbytes)
                    cached[group, name] = chunk_value = _Chunk(chunk)
                    _CHUNK_CACHE.put(
                        (self._number, group, name), chunk_value, size_bytes=size_bytes
                    )
        return [
            pa.table(
                {
                    name: chunk.values
                    for name in columns
                    if (chunk := cached[group, name]) is not None and chunk.values is not None
                }
            )
            for group in groups
        ]

    def _decode_runs(
        self, runs: Sequence[list[int]], columns: Sequence[str] | None
    ) -> list[pa.Table]:
        """Return runs of row groups, a table each, of the columns that there are."""
        end = self._read_footer()
        names = [name for name in columns or end.column_indices if name in end.column_indices]
        groups = [group for run in runs for group in run]
        with self._verified_file(end, groups, [end.column_indices[name] for name in names]) as file:
            # A few small columns are decoded before another thread has woken up.
            threads = len(groups) > _WINDOW_GROUPS
            return [file.read_row_groups(run, columns=names, use_threads=threads) for run in runs]


def read_footers(parts: Iterable[Part]) -> None:
    """Read the footers of parts at an address side by side: each is a way there and back.

    Raises
    ------
    InputError
        The store does not allow it.
    OutsideFault
        The store cannot be reached.
    """
    remote_parts = [part for part in parts if isinstance(part.location, Address)]
    if len(remote_parts) > 1:
        with ThreadPoolExecutor(_PARALLEL_FOOTERS) as pool:
            for _ in pool.map(lambda part: part.damage, remote_parts):
                pass


def _row_group_spans(metadata: pq.FileMetaData) -> tuple[tuple[int, int], ...]:
    group_statistics = (
        metadata.row_group(index).column(0).statistics for index in range(metadata.num_row_groups)
    )
    return tuple(
        (_time_to_ns(statistics.min_raw), _time_to_ns(statistics.max_raw))
        for statistics in group_statistics
        if statistics is not None and statistics.has_min_max
    )


def _time_to_ns(value: object) -> int:
    return int(value)  # type: ignore[call-overload, no-any-return]


def overlapping_parts(parts: Sequence[Part], *, start_ns: int, end_ns: int) -> Sequence[Part]:
    """Return those of the parts of a time-ordered stream that may touch [start_ns, end_ns).

    Found from where it would be if all were equally long, so that a window of a long recording
    reads a few footers and not all.
    """
    try:
        first = _first_part_from(parts, start_ns, lambda part: part.spans[-1][1])
        end_index = _first_part_from(parts, end_ns, lambda part: part.spans[0][0])
    except IndexError:
        # One without a time, damaged or empty, says nothing of where to go on.
        return parts
    return parts[first:end_index]


def _first_part_from(parts: Sequence[Part], at_ns: int, key: Callable[[Part], int]) -> int:
    """Return what `bisect_left` does, with few questions where parts are about equally long."""
    begin_ns, end_ns = parts[0].spans[0][0], parts[-1].spans[-1][1]
    fraction = (at_ns - begin_ns) / max(end_ns - begin_ns, 1)
    low = high = round(min(max(fraction, 0.0), 1.0) * (len(parts) - 1))
    step = 1
    while low > 0 and key(parts[low]) >= at_ns:
        low, step = max(low - step, 0), 2 * step
    step = 1
    while high < len(parts) and key(parts[high]) < at_ns:
        high, step = min(high + step, len(parts)), 2 * step
    return bisect_left(parts, at_ns, low, high, key=key)
