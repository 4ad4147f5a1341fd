"""Sealed parts of a stream: listed, found by time, and read.

A part is a Parquet file named by its range of rows; the statistics of the time column in its footer
say which row groups a window needs. What is read is verified by its checksums: a damaged part is an
error, never a wrong number. `part_file` does the reading, `part_writer` the writing.
"""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.errors import DutytraceError, InputError, OutsideFault
from logger.store.layout.remote import Address, Location
from logger.store.parts.identity import MisplacedPartError, PartOwner
from logger.store.parts.part_file import DAMAGED, PartFile, PartFooter

__all__ = [
    "Part",
    "has_readable_row",
    "list_parts",
    "outer_span",
    "overlapping_parts",
    "read_footers",
    "relisted",
    "rows_of_name",
]

_PARALLEL_FOOTERS: Final = 16
_GROUPS_A_PIECE: Final = 4
"""65,536 rows: of ten columns 5 MB."""
_PART_NAME = re.compile(r"part-(\d{12})-(\d{12})\.parquet")


def list_parts(folder: Location, owner: PartOwner | None = None) -> list["Part"]:
    """Return the parts of a folder in order of their rows.

    `owner`: the recording and stream that they have to be of, else they count as damaged; None
    where only their names matter.

    Raises
    ------
    OutsideFault
        The folder cannot be listed: its content is unknown, which is not to be empty.
    """
    parts = []
    try:
        for path in folder.iterdir():
            rows = rows_of_name(path.name)
            if rows is not None:
                parts.append(Part(path, *rows, owner))
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: this folder of the recording cannot be listed ({fault.strerror or fault})."
        ) from fault
    return sorted(parts, key=lambda part: part.first_row)


def rows_of_name(name: str) -> tuple[int, int] | None:
    """Return the rows [first, end) that a file is named by; None for one that is no part."""
    match = _PART_NAME.fullmatch(name)
    return None if match is None else (int(match[1]), int(match[2]))


@dataclass(slots=True)
class Part:
    """One sealed part; its footer is read at the first use, and again once it left the cache."""

    location: Location
    first_row: int
    end_row: int
    owner: PartOwner | None = None
    """The recording and stream that it has to be of; None: that is not compared."""
    _verify_error: str | None = None
    _misplaced: MisplacedPartError | None = None
    _spans: tuple[tuple[int, int], ...] | None = None
    _stated_rows: int | None = None
    _is_opened: bool = False
    _opened: PartFile | None = field(default=None, init=False, repr=False, compare=False)

    @property
    def _file(self) -> PartFile:
        # Made at the first use: of a recording of months most parts are only ever listed.
        if self._opened is None:
            self._opened = PartFile(self.location, self.first_row, self.end_row, self.owner)
        return self._opened

    @property
    def number(self) -> int:
        """Its key in caches: no other listed part of any recording has it."""
        return self._file.number

    @property
    def name(self) -> str:
        """Its file name."""
        return self.location.name

    @property
    def path(self) -> Path:
        """The file of a local part: only such parts are moved, copied or removed."""
        assert isinstance(self.location, Path), "parts at an address are only read"
        return self.location

    @property
    def footer(self) -> pq.FileMetaData:
        """The Parquet footer; raises OSError, ValueError or pyarrow.ArrowException if damaged."""
        return self._read_footer().metadata

    def _read_footer(self) -> PartFooter:
        cached = self._file.footer()
        if self._spans is None:
            if self.owner is not None:
                self.owner.verify_columns(cached.metadata)
            self._spans = cached.spans()
            self._stated_rows = cached.metadata.num_rows
        return cached

    @property
    def is_opened(self) -> bool:
        """Whether it is known already if it can be read."""
        return self._is_opened

    @property
    def stated_rows(self) -> int | None:
        """How many rows its footer states; None for a file that cannot be read."""
        return None if self.verify_error else self._stated_rows

    @property
    def verify_error(self) -> str:
        """Why the file cannot be read; empty when its footer is whole and of this place."""
        if self._verify_error is None:
            self._is_opened = True
            try:
                self._read_footer()
            except FileNotFoundError as fault:
                # Not remembered, for it may come back: a copy that still runs, a disk remounted.
                return fault.strerror or str(fault)
            except DutytraceError:
                # The store did not answer: that says nothing about the part.
                raise
            except DAMAGED as fault:
                self._verify_error = str(fault)
                self._misplaced = fault if isinstance(fault, MisplacedPartError) else None
            else:
                self._verify_error = ""
        return self._verify_error

    @property
    def misplaced(self) -> MisplacedPartError | None:
        """What a part that belongs to other rows was found to be; None for one of this place."""
        return self._misplaced if self.verify_error else None

    def verify_part(self) -> str:
        """Read every byte and return what is damaged; empty when the part is whole."""
        if self.verify_error:
            return self.verify_error
        try:
            self._file.verify()
        except DutytraceError:
            raise
        except DAMAGED as fault:
            return str(fault)
        return ""

    @property
    def metadata(self) -> dict[bytes, bytes]:
        """The metadata of the file's footer; empty for a file that cannot be read."""
        try:
            return {} if self.verify_error else dict(self.footer.metadata or {})
        except DutytraceError:
            raise
        except DAMAGED:
            # It was whole when it was verified, and has gone since.
            return {}

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """First and last time of every row group in nanoseconds; () for a damaged file."""
        if self._spans is None and self.verify_error:
            return ()
        return self._spans or ()

    def read_span(
        self, *, start_ns: int, end_ns: int, columns: Sequence[str] | None = None
    ) -> pa.Table | None:
        """Return the row groups that touch [start_ns, end_ns), None when none does.

        Whole row groups: rows outside the span have to be cut off by the caller.

        Raises
        ------
        InputError
            Rows of the file are damaged. A file whose footer is damaged counts as without rows.
        """
        groups = [
            index
            for index, (first, last) in enumerate(self.spans)
            if last >= start_ns and first < end_ns
        ]
        return self._read_groups(groups, columns) if groups else None

    def read_whole(self, *, columns: Sequence[str] | None = None) -> pa.Table | None:
        """Return all row groups as `read_span` does, None when there is none."""
        return self.read_span(start_ns=TIME_MIN_NS, end_ns=TIME_MAX_NS, columns=columns)

    def read_pieces(
        self, *, start_ns: int, end_ns: int, columns: Sequence[str] | None = None
    ) -> Iterator[pa.Table]:
        """Yield the row groups that `read_span` returns, a few at a time."""
        groups = [
            index
            for index, (first, last) in enumerate(self.spans)
            if last >= start_ns and first < end_ns
        ]
        for place in range(0, len(groups), _GROUPS_A_PIECE):
            yield self._read_groups(groups[place : place + _GROUPS_A_PIECE], columns)

    def read_group(self, group: int) -> pa.Table:
        """Return one row group; raises InputError when it is damaged."""
        return self._read_groups([group], None)

    def _read_groups(self, groups: Sequence[int], columns: Sequence[str] | None) -> pa.Table:
        try:
            return self._file.read_groups(groups, columns)
        except DutytraceError:
            raise
        except DAMAGED as fault:
            raise InputError(
                f"{self.location}: this part is damaged and cannot be read ({fault}). `dutytrace "
                "seal` makes overviews again from their rows; take any other part out of the "
                "recording: the rest can then be read, and `dutytrace check` says what is missing."
            ) from None


def relisted(old: Iterable[Part], folder: Location, owner: PartOwner) -> list[Part]:
    """List a folder's parts again; those that were listed before keep what was read of them."""
    known = {part.name: part for part in old}
    parts = list_parts(folder, owner)
    return [known.get(part.name, part) for part in parts] if known else parts


def read_footers(parts: Iterable[Part]) -> None:
    """Read the footers of parts at an address in parallel, since each takes a round trip.

    Nothing is done for local parts: their footers are read when they are needed.

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
            for _ in pool.map(lambda part: part.verify_error, remote_parts):
                pass


def overlapping_parts(parts: Sequence[Part], *, start_ns: int, end_ns: int) -> Sequence[Part]:
    """Return those of the parts of a time-ordered stream that may touch [start_ns, end_ns).

    Each part that is looked at costs the reading of a footer, so the search begins where the window
    would be if all parts were equally long: it looks at a few parts, not at all of them.
    """
    try:
        first = _first_part_from(parts, start_ns, lambda part: part.spans[-1][1])
        end_index = _first_part_from(parts, end_ns, lambda part: part.spans[0][0])
    except IndexError:
        # A part without times, damaged or empty, gives the search no direction.
        return parts
    return parts[first:end_index]


def _first_part_from(parts: Sequence[Part], at_ns: int, key: Callable[[Part], int]) -> int:
    """Return the index of the first part with key(part) >= at_ns, as `bisect_left` would.

    A galloping search from an interpolated guess. Each key reads a footer. Parts of a recording are
    about equally long once it has run for ten minutes, so the guess is off by a few parts: steps of
    1, 2, 4, ... from it bracket the result within O(log d) keys for a guess that is d parts off,
    and a binary search within the bracket finishes. A plain binary search would read O(log n)
    footers, spread over the whole recording.
    """
    begin_ns, end_ns = parts[0].spans[0][0], parts[-1].spans[-1][1]
    fraction = (at_ns - begin_ns) / max(end_ns - begin_ns, 1)
    low = high = round(min(max(fraction, 0.0), 1.0) * (len(parts) - 1))
    # Either loop does nothing where the guess lies on the right side already.
    step = 1
    while low > 0 and key(parts[low]) >= at_ns:
        low, step = max(low - step, 0), 2 * step
    step = 1
    while high < len(parts) and key(parts[high]) < at_ns:
        high, step = min(high + step, len(parts)), 2 * step
    return bisect_left(parts, at_ns, low, high, key=key)


def outer_span(parts: Sequence[Part]) -> tuple[int, int] | None:
    """Return the first and the last time of parts in order; no footer between them is opened."""
    first = next((part.spans for part in parts if part.spans), ())
    last = next((part.spans for part in reversed(parts) if part.spans), ())
    return (first[0][0], last[-1][1]) if first else None


def has_readable_row(parts: Sequence[Part], row: int) -> bool:
    """Return whether `parts`, in order of their rows, hold a row in a part that can be read."""
    index = bisect_right(parts, row, key=lambda part: part.first_row) - 1
    return index >= 0 and row < parts[index].end_row and not parts[index].verify_error
