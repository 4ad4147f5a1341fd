"""What lies in the file of a part: its footer, its column chunks, and whether they are whole.

Every column chunk is compared with its checksum before it is decoded, once for each reading of the
footer. Footers and the chunks of the windows looked at last are kept, of all recordings that are
open. What is not what was written raises OSError, ValueError or pyarrow.ArrowException (`DAMAGED`);
`parts` makes sentences of it.
"""

import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.remote import Location, RangeFile
from logger.store.parts.checksums import chunk_checksum, chunk_range, read_footer

__all__ = ["DAMAGED", "PartFile", "PartFooter"]

DAMAGED: Final = (OSError, ValueError, pa.ArrowException)


@dataclass(frozen=True, slots=True)
class PartFooter:
    """What a part's end says, and which of its column chunks were compared since it was read."""

    metadata: pq.FileMetaData
    sums: tuple[int, ...]
    places: Mapping[str, int]
    """Column -> its place in the file; parts hold flat columns only."""
    compared: set[tuple[int, int]] = field(default_factory=set)

    def spans(self) -> tuple[tuple[int, int], ...]:
        """Return the first and last time of every row group, nanoseconds."""
        found = (
            self.metadata.row_group(index).column(0).statistics
            for index in range(self.metadata.num_row_groups)
        )
        return tuple(
            (_time_to_ns(one.min_raw), _time_to_ns(one.max_raw))
            for one in found
            if one is not None and one.has_min_max
        )


def _time_to_ns(value: object) -> int:
    return int(value)  # type: ignore[call-overload, no-any-return]


class _Chunk(NamedTuple):
    """A decoded column chunk; None where the part has no such column."""

    values: pa.ChunkedArray | None


_FOOTER_CACHE: Final[ByteLruCache[PartFooter]] = ByteLruCache(max_bytes=8 << 20)
_CHUNK_CACHE: Final[ByteLruCache[_Chunk]] = ByteLruCache(max_bytes=12 << 20)
"""Of all recordings that are open: enough for the window that is looked at, and the next."""
_PARSED_FACTOR: Final = 8
"""Bytes that a parsed footer takes for each of its bytes in the file, as measured."""
_CACHE_ENTRY_BYTES: Final = 512
"""About what keeping a column chunk takes beside its values."""
_WINDOW_GROUPS: Final = 4
"""Who reads more row groups of a part at once goes through it, and will not ask for them again."""


_part_numbers = itertools.count()


@dataclass(frozen=True, slots=True)
class PartFile:
    """One look at the file of a part: another file of its name may come in its place."""

    place: Location
    first_row: int
    """Of the part, for what is said of damage."""
    _number: int = field(default_factory=lambda: next(_part_numbers), repr=False, compare=False)

    def footer(self) -> PartFooter:
        """Return the footer, read now where it is not kept."""
        found = _FOOTER_CACHE.get(self._number)
        if found is None:
            metadata, sums = read_footer(self.place)
            places = {name: column for column, name in enumerate(metadata.schema.names)}
            found = PartFooter(metadata, sums, places)
            _FOOTER_CACHE.put(
                self._number, found, size_bytes=_PARSED_FACTOR * metadata.serialized_size
            )
        return found

    def verify(self) -> None:
        """Read every byte; raises one of `DAMAGED` unless the file is what was written."""
        footer = self.footer()
        groups = range(footer.metadata.num_row_groups)
        with self._opened(footer, groups, footer.places.values()) as file:
            if not footer.sums:
                file.read()

    def read_groups(self, groups: Sequence[int], columns: Sequence[str] | None) -> pa.Table:
        """Return columns (None: all) of some row groups; those of a few groups are kept."""
        if columns is None or len(groups) > _WINDOW_GROUPS:
            return self._decode([list(groups)], columns)[0]
        found = {
            (group, name): _CHUNK_CACHE.get((self._number, group, name))
            for group in groups
            for name in columns
        }
        wanted = dict.fromkeys(name for (_, name), chunk in found.items() if chunk is None)
        lacking = dict.fromkeys(group for (group, _), chunk in found.items() if chunk is None)
        if wanted:
            tables = self._decode([[group] for group in lacking], list(wanted))
            for group, table in zip(lacking, tables, strict=True):
                for name in wanted:
                    chunk = table[name] if name in table.column_names else None
                    size_bytes = _CACHE_ENTRY_BYTES + (0 if chunk is None else chunk.nbytes)
                    found[group, name] = one = _Chunk(chunk)
                    _CHUNK_CACHE.put((self._number, group, name), one, size_bytes=size_bytes)
        return pa.concat_tables(
            pa.table(
                {
                    name: chunk.values
                    for name in columns
                    if (chunk := found[group, name]) is not None and chunk.values is not None
                }
            )
            for group in groups
        )

    def _decode(self, runs: Sequence[list[int]], columns: Sequence[str] | None) -> list[pa.Table]:
        """Return runs of row groups, a table each, of the columns that there are."""
        footer = self.footer()
        names = [name for name in columns or footer.places if name in footer.places]
        groups = [group for run in runs for group in run]
        with self._opened(footer, groups, [footer.places[name] for name in names]) as file:
            # A few small columns are decoded before another thread has woken up.
            threads = len(groups) > _WINDOW_GROUPS
            return [file.read_row_groups(run, columns=names, use_threads=threads) for run in runs]

    @contextmanager
    def _opened(
        self, footer: PartFooter, groups: Iterable[int], columns: Iterable[int]
    ) -> Iterator[pq.ParquetFile]:
        """Open the file once these column chunks are found to be what was written."""
        chunks = {(group, column) for column in columns for group in groups}
        if isinstance(self.place, Path):
            if footer.sums and not footer.compared.issuperset(chunks):
                descriptor = os.open(self.place, os.O_RDONLY)
                try:
                    self._compare(
                        footer, chunks, lambda first, size: os.pread(descriptor, size, first)
                    )
                finally:
                    os.close(descriptor)
            with pq.ParquetFile(self.place, metadata=footer.metadata) as file:
                yield file
            return
        # One fetch for both: what is compared is what is decoded.
        fetched = RangeFile(
            self.place, [chunk_range(footer.metadata, *chunk) for chunk in sorted(chunks)]
        )
        self._compare(footer, chunks, fetched.bytes_at)
        with pq.ParquetFile(fetched, metadata=footer.metadata) as file:
            yield file

    def _compare(
        self, footer: PartFooter, chunks: set[tuple[int, int]], read: Callable[[int, int], bytes]
    ) -> None:
        """Compare column chunks with their sums, each once; raises ValueError at a difference."""
        if not footer.sums:
            return
        wanted = chunks - footer.compared
        for group, column in sorted(wanted):
            written = footer.sums[group * footer.metadata.num_columns + column]
            if chunk_checksum(read, footer.metadata, group, column) != written:
                name = footer.metadata.schema.column(column).path
                rows = (footer.metadata.row_group(before).num_rows for before in range(group))
                first = self.first_row + sum(rows)
                raise ValueError(f"{name} from row {first} on is not what was written")
        footer.compared.update(wanted)
