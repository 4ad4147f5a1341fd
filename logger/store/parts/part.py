"""Sealed parts: Parquet files named by their range of rows, and how a span is read from them.

`part-000000000000-000000012345.parquet` holds the rows [0, 12345) of its stream. Row groups are of
about 16 k rows, so that a window never reads much more than itself; times in the footer say which.
What is read is compared with the checksums of `sums`: a damaged part is an error, never a number.
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
from logger.store.layout.byte_cache import Kept
from logger.store.layout.files import MANIFEST, make_folder, put
from logger.store.layout.remote import Address, Place, Stretches
from logger.store.parts.checksums import KEY, chunk_place, chunk_sum, footer_of, stamp, unknown_sums

__all__ = [
    "ROW_GROUP",
    "Part",
    "list_parts",
    "part_name",
    "read_footers",
    "touching",
    "write_part",
]

ROW_GROUP: Final = 16_384
_SIDE_BY_SIDE: Final = 16
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


def list_parts(folder: Place) -> list["Part"]:
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
                found.append(Part(place=path, first_row=int(match[1]), end_row=int(match[2])))
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: this folder of the recording cannot be listed ({fault.strerror or fault})."
        ) from fault
    return sorted(found, key=lambda part: part.first_row)


@dataclass(frozen=True, slots=True)
class _Footer:
    """What a part's end says, and which of its column chunks were compared since it was read."""

    metadata: pq.FileMetaData
    sums: tuple[int, ...]
    places: Mapping[str, int]
    """Column -> its place in the file; parts hold flat columns only."""
    compared: set[tuple[int, int]] = field(default_factory=set)


class _Chunk(NamedTuple):
    """A decoded column chunk; None where the part has no such column."""

    values: pa.ChunkedArray | None


_FOOTERS: Final[Kept[_Footer]] = Kept(most_bytes=8 << 20)
_CHUNKS: Final[Kept[_Chunk]] = Kept(most_bytes=12 << 20)
"""Of all recordings that are open: enough for the window that is looked at, and the next."""
_PARSED: Final = 8
"""Bytes that a parsed footer takes for each of its bytes in the file, as measured."""
_ENTRY_BYTES: Final = 512
"""About what keeping a column chunk takes beside its values."""
_WINDOW_GROUPS: Final = 4
"""Who reads more row groups of a part at once goes through it, and will not ask for them again."""
_numbers = itertools.count()


@dataclass(slots=True)
class Part:
    """One sealed part; its footer is read when it is first asked for, and again when it is gone."""

    place: Place
    first_row: int
    end_row: int
    _damage: str | None = None
    _spans: tuple[tuple[int, int], ...] | None = None
    # What is kept of a file is kept of this look at it: one of its name may come in its place.
    _number: int = field(default_factory=lambda: next(_numbers), repr=False, compare=False)

    @property
    def name(self) -> str:
        """Its file name."""
        return self.place.name

    @property
    def path(self) -> Path:
        """The file, of a part in a folder here: only such a one is moved, copied or removed."""
        assert isinstance(self.place, Path), "what lies at an address is only read"
        return self.place

    @property
    def footer(self) -> pq.FileMetaData:
        """The Parquet footer; raises OSError, ValueError or pyarrow.ArrowException if damaged."""
        return self._end().metadata

    def _end(self) -> _Footer:
        found = _FOOTERS.get(self._number)
        if found is None:
            metadata, sums = footer_of(self.place)
            places = {name: place for place, name in enumerate(metadata.schema.names)}
            found = _Footer(metadata, sums, places)
            if self._spans is None:
                self._spans = _spans_of(metadata)
            _FOOTERS.put(self._number, found, size_bytes=_PARSED * metadata.serialized_size)
        return found

    @property
    def damage(self) -> str:
        """Why the file cannot be read, empty when its footer is whole."""
        if self._damage is None:
            try:
                self._end()
            except FileNotFoundError as fault:
                # It may come: a copy that still runs, a disk that is put back.
                return fault.strerror or str(fault)
            except DutytraceError:
                # The store did not answer: that says nothing of the part.
                raise
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
            end = self._end()
            groups = range(end.metadata.num_row_groups)
            with self._opened(end, groups, end.places.values()) as file:
                if not end.sums:
                    file.read()
        except DutytraceError:
            raise
        except _DAMAGED as fault:
            return str(fault)
        return ""

    @contextmanager
    def _opened(
        self, end: _Footer, groups: Iterable[int], columns: Iterable[int]
    ) -> Iterator[pq.ParquetFile]:
        """Open the file once these column chunks are found to be what was written."""
        chunks = {(group, column) for column in columns for group in groups}
        if isinstance(self.place, Path):
            self._compare_here(self.place, end, chunks)
            with pq.ParquetFile(self.place, metadata=end.metadata) as file:
                yield file
            return
        # One fetch for both: what is compared is what is decoded.
        fetched = Stretches(
            self.place, [chunk_place(end.metadata, *chunk) for chunk in sorted(chunks)]
        )
        self._compare(end, chunks, fetched.at)
        with pq.ParquetFile(fetched, metadata=end.metadata) as file:
            yield file

    def _compare_here(self, path: Path, end: _Footer, chunks: set[tuple[int, int]]) -> None:
        if not end.sums or end.compared.issuperset(chunks):
            return
        descriptor = os.open(path, os.O_RDONLY)
        try:
            self._compare(end, chunks, lambda first, size: os.pread(descriptor, size, first))
        finally:
            os.close(descriptor)

    def _compare(
        self, end: _Footer, chunks: set[tuple[int, int]], read: Callable[[int, int], bytes]
    ) -> None:
        """Compare column chunks with their sums, each once; raises ValueError at a difference."""
        if not end.sums:
            return
        wanted = chunks - end.compared
        for group, column in sorted(wanted):
            written = end.sums[group * end.metadata.num_columns + column]
            if chunk_sum(read, end.metadata, group, column) != written:
                name = end.metadata.schema.column(column).path
                first = self.first_row + group * ROW_GROUP
                raise ValueError(f"{name} from row {first} on is not what was written")
        end.compared.update(wanted)

    @property
    def metadata(self) -> dict[bytes, bytes]:
        """What was noted in the file beside its rows; nothing in one that cannot be read."""
        try:
            return {} if self.damage else dict(self.footer.metadata or {})
        except DutytraceError:
            raise
        except _DAMAGED:
            # It was whole, and is gone since.
            return {}

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """First and last time of every row group, nanoseconds; none in a damaged file."""
        if self._spans is None and self.damage:
            return ()
        return self._spans or ()

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
            if columns is not None and len(groups) <= _WINDOW_GROUPS:
                return pa.concat_tables(self._window(groups, columns))
            return self._decoded([groups], columns)[0]
        except DutytraceError:
            raise
        except _DAMAGED as fault:
            raise InputError(
                f"{self.place}: this part is damaged and cannot be read ({fault}). `dutytrace "
                "seal` makes overviews anew; any other part, take it out of the recording: the "
                "rest can then be read, and `dutytrace check` says what is gone."
            ) from None

    def _window(self, groups: Sequence[int], columns: Sequence[str]) -> list[pa.Table]:
        """Return columns of some row groups, from what is kept as far as it is."""
        found = {
            (group, name): _CHUNKS.get((self._number, group, name))
            for group in groups
            for name in columns
        }
        wanted = dict.fromkeys(name for (_, name), chunk in found.items() if chunk is None)
        lacking = dict.fromkeys(group for (group, _), chunk in found.items() if chunk is None)
        if wanted:
            tables = self._decoded([[group] for group in lacking], list(wanted))
            for group, table in zip(lacking, tables, strict=True):
                for name in wanted:
                    chunk = table[name] if name in table.column_names else None
                    size_bytes = _ENTRY_BYTES + (0 if chunk is None else chunk.nbytes)
                    found[group, name] = one = _Chunk(chunk)
                    _CHUNKS.put((self._number, group, name), one, size_bytes=size_bytes)
        return [
            pa.table(
                {
                    name: chunk.values
                    for name in columns
                    if (chunk := found[group, name]) is not None and chunk.values is not None
                }
            )
            for group in groups
        ]

    def _decoded(self, runs: Sequence[list[int]], columns: Sequence[str] | None) -> list[pa.Table]:
        """Return runs of row groups, a table each, of the columns that there are."""
        end = self._end()
        names = [name for name in columns or end.places if name in end.places]
        groups = [group for run in runs for group in run]
        with self._opened(end, groups, [end.places[name] for name in names]) as file:
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
    far = [part for part in parts if isinstance(part.place, Address)]
    if len(far) > 1:
        with ThreadPoolExecutor(_SIDE_BY_SIDE) as pool:
            for _ in pool.map(lambda part: part.damage, far):
                pass


def _spans_of(metadata: pq.FileMetaData) -> tuple[tuple[int, int], ...]:
    found = (
        metadata.row_group(index).column(0).statistics for index in range(metadata.num_row_groups)
    )
    return tuple(
        (_ns(one.min_raw), _ns(one.max_raw)) for one in found if one is not None and one.has_min_max
    )


def _ns(value: object) -> int:
    return int(value)  # type: ignore[call-overload, no-any-return]


def touching(parts: Sequence[Part], *, start_ns: int, end_ns: int) -> Sequence[Part]:
    """Return those of the parts of a time-ordered stream that may touch [start_ns, end_ns).

    Found from where it would be if all were equally long, so that a window of a long recording
    reads a few footers and not all.
    """
    try:
        first = _place(parts, start_ns, lambda part: part.spans[-1][1])
        behind = _place(parts, end_ns, lambda part: part.spans[0][0])
    except IndexError:
        # One without a time, damaged or empty, says nothing of where to go on.
        return parts
    return parts[first:behind]


def _place(parts: Sequence[Part], at_ns: int, key: Callable[[Part], int]) -> int:
    """Return what `bisect_left` does, with few questions where parts are about equally long."""
    begin_ns, end_ns = parts[0].spans[0][0], parts[-1].spans[-1][1]
    share = (at_ns - begin_ns) / max(end_ns - begin_ns, 1)
    low = high = round(min(max(share, 0.0), 1.0) * (len(parts) - 1))
    step = 1
    while low > 0 and key(parts[low]) >= at_ns:
        low, step = max(low - step, 0), 2 * step
    step = 1
    while high < len(parts) and key(parts[high]) < at_ns:
        high, step = min(high + step, len(parts)), 2 * step
    return bisect_left(parts, at_ns, low, high, key=key)
