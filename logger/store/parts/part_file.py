"""The bytes of a part: its footer and its column chunks, verified and cached.

Every column chunk is compared with its checksum before it is decoded, once for each reading of the
footer. Footers and the chunks of the latest windows are cached, of all recordings that are open.
Anything that differs from what was written raises OSError, ValueError or pyarrow.ArrowException
(`DAMAGED`); `part` makes sentences of it.
"""

import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Final, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.remote import Location, RangeFile
from logger.store.layout.row_check import footer_schema
from logger.store.parts.checksums import chunk_checksum, chunk_range, read_footer
from logger.store.parts.identity import IDENTITY_KEY, PartOwner

__all__ = ["DAMAGED", "PartFile", "PartFooter"]

DAMAGED: Final = (OSError, ValueError, pa.ArrowException)


@dataclass(frozen=True, slots=True)
class PartFooter:
    """A part's footer, and which of its column chunks were verified since it was read."""

    metadata: pq.FileMetaData
    sums: tuple[int, ...]
    """CRC-32 of each column chunk, by row group, then column; () in older parts."""
    column_indices: Mapping[str, int]
    """Column -> its index in the file; parts hold flat columns only."""
    compared: set[tuple[int, int]] = field(default_factory=set)
    """(row group, column) of the chunks that were verified."""

    def spans(self) -> tuple[tuple[int, int], ...]:
        """Return the first and last time of every row group, nanoseconds."""
        time_statistics = (
            self.metadata.row_group(index).column(0).statistics
            for index in range(self.metadata.num_row_groups)
        )
        return tuple(
            (_time_to_ns(statistics.min_raw), _time_to_ns(statistics.max_raw))
            for statistics in time_statistics
            if statistics is not None and statistics.has_min_max
        )


def _time_to_ns(value: object) -> int:
    return int(value)  # type: ignore[call-overload, no-any-return]


class _Chunk(NamedTuple):
    """A decoded column chunk; None where the part has no such column."""

    values: pa.ChunkedArray | None


_FOOTER_CACHE: Final[ByteLruCache[PartFooter]] = ByteLruCache(max_bytes=8 << 20)
_CHUNK_CACHE: Final[ByteLruCache[_Chunk]] = ByteLruCache(max_bytes=12 << 20)
"""Shared by all recordings that are open: enough for the present window and the next."""
_PARSED_FACTOR: Final = 8
"""Bytes that a parsed footer takes in memory for each of its bytes in the file, as measured."""
_CACHE_ENTRY_BYTES: Final = 512
"""Approximate overhead of a cached column chunk, without its values."""
_WINDOW_GROUPS: Final = 4
"""A reading of more row groups of a part than this goes through it once: it is not cached."""


_part_numbers = itertools.count()


@dataclass(frozen=True, slots=True)
class PartFile:
    """The file of one part, as it was listed; each has cache entries of its own.

    Another file of the same name may replace it, and is another `PartFile` then.
    """

    location: Location
    first_row: int
    end_row: int
    owner: PartOwner | None = None
    """Whose it has to be; None: that is not compared."""
    number: int = field(default_factory=lambda: next(_part_numbers), repr=False, compare=False)
    """Key of the caches."""

    def footer(self) -> PartFooter:
        """Return the footer, read and verified now unless it is cached; raises one of `DAMAGED`."""
        footer = _FOOTER_CACHE.get(self.number)
        if footer is None:
            metadata, sums = read_footer(self.location)
            names = footer_schema(metadata).names
            column_indices = {name: column for column, name in enumerate(names)}
            if self.owner is not None:
                self.owner.verify_stated(
                    (metadata.metadata or {}).get(IDENTITY_KEY),
                    column_indices,
                    first_row=self.first_row,
                    end_row=self.end_row,
                )
            footer = PartFooter(metadata, sums, column_indices)
            _FOOTER_CACHE.put(
                self.number, footer, size_bytes=_PARSED_FACTOR * metadata.serialized_size
            )
        return footer

    def verify(self) -> None:
        """Read every byte; raises one of `DAMAGED` unless the file is what was written."""
        footer = self.footer()
        groups = range(footer.metadata.num_row_groups)
        if footer.sums and isinstance(self.location, Path):
            # Nothing has to be decoded to know that the bytes are those that were written.
            columns = range(footer.metadata.num_columns)
            self._compare_on_disk(footer, set(product(groups, columns)))
            return
        with self._open_verified(footer, groups, footer.column_indices.values()) as file:
            if not footer.sums:
                file.read()

    def read_groups(self, groups: Sequence[int], columns: Sequence[str] | None) -> pa.Table:
        """Return columns (None: all) of some row groups; chunks of a few groups are cached."""
        if columns is None or len(groups) > _WINDOW_GROUPS:
            return self._decode([list(groups)], columns)[0]
        chunks = {
            (group, name): _CHUNK_CACHE.get((self.number, group, name))
            for group in groups
            for name in columns
        }
        missing_names = dict.fromkeys(name for (_, name), chunk in chunks.items() if chunk is None)
        missing_groups = dict.fromkeys(
            group for (group, _), chunk in chunks.items() if chunk is None
        )
        if missing_names:
            tables = self._decode([[group] for group in missing_groups], list(missing_names))
            for group, table in zip(missing_groups, tables, strict=True):
                for name in missing_names:
                    values = table[name] if name in table.column_names else None
                    size_bytes = _CACHE_ENTRY_BYTES + (0 if values is None else values.nbytes)
                    chunks[group, name] = decoded = _Chunk(values)
                    _CHUNK_CACHE.put((self.number, group, name), decoded, size_bytes=size_bytes)
        return pa.concat_tables(
            pa.table(
                {
                    name: chunk.values
                    for name in columns
                    if (chunk := chunks[group, name]) is not None and chunk.values is not None
                }
            )
            for group in groups
        )

    def _decode(self, runs: Sequence[list[int]], columns: Sequence[str] | None) -> list[pa.Table]:
        """Return runs of row groups, a table each, with those of the columns that exist."""
        footer = self.footer()
        indices = footer.column_indices
        names = [name for name in columns or indices if name in indices]
        groups = [group for run in runs for group in run]
        with self._open_verified(footer, groups, [indices[name] for name in names]) as file:
            # A few small columns are decoded before another thread would have woken up.
            threads = len(groups) > _WINDOW_GROUPS
            return [file.read_row_groups(run, columns=names, use_threads=threads) for run in runs]

    @contextmanager
    def _open_verified(
        self, footer: PartFooter, groups: Iterable[int], columns: Iterable[int]
    ) -> Iterator[pq.ParquetFile]:
        """Open the file after verifying these column chunks; raises ValueError for damage."""
        chunks = {(group, column) for column in columns for group in groups}
        if isinstance(self.location, Path):
            self._compare_on_disk(footer, chunks)
            with pq.ParquetFile(self.location, metadata=footer.metadata) as file:
                yield file
            return
        # Fetched once for both: the bytes that are verified are those that are decoded.
        fetched = RangeFile(
            self.location, [chunk_range(footer.metadata, *chunk) for chunk in sorted(chunks)]
        )
        self._compare(footer, chunks, fetched.bytes_at)
        with pq.ParquetFile(fetched, metadata=footer.metadata) as file:
            yield file

    def _compare_on_disk(self, footer: PartFooter, chunks: set[tuple[int, int]]) -> None:
        """Compare column chunks of a local file as `_compare` does."""
        if not footer.sums or footer.compared.issuperset(chunks):
            return
        assert isinstance(self.location, Path), "chunks at an address are fetched"
        descriptor = os.open(self.location, os.O_RDONLY)
        try:
            self._compare(footer, chunks, lambda first, size: os.pread(descriptor, size, first))
        finally:
            os.close(descriptor)

    def _compare(
        self, footer: PartFooter, chunks: set[tuple[int, int]], read: Callable[[int, int], bytes]
    ) -> None:
        """Compare column chunks with their checksums, each once; a mismatch raises ValueError."""
        if not footer.sums:
            return
        unverified = chunks - footer.compared
        for group, column in sorted(unverified):
            written = footer.sums[group * footer.metadata.num_columns + column]
            if chunk_checksum(read, footer.metadata, group, column) != written:
                name = footer.metadata.row_group(group).column(column).path_in_schema
                rows = (footer.metadata.row_group(earlier).num_rows for earlier in range(group))
                first = self.first_row + sum(rows)
                raise ValueError(f"{name} from row {first} on is not what was written")
        footer.compared.update(unverified)
