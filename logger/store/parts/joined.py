"""Joined copies of small parts, so that months of a slow stream are read as a few files.

A part is made every ten minutes at least, however little is in it: a quarter of a year of events is
13,000 files, each of which costs a reader a millisecond. So neighbouring parts of the streams that
are read whole (`is_joined`) are also kept joined, below `joined/STREAM/`: eight parts as one copy,
eight such copies as one that takes their place, and so on. A copy is named by its rows. It is used
only where all the parts that it was made of are there; one that is missing, damaged or not yet made
costs time and nothing else. Copies are written whole or not at all, always after their parts, and
what is removed stands in a wider one: a crash at any moment leaves at most one too many.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import pyarrow as pa

from logger.errors import InputError
from logger.store.layout.files import joined_stream
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part

__all__ = [
    "Cover",
    "cover_parts",
    "is_joined",
    "join_parts",
    "may_have_copies",
    "read_covers",
    "rejoin_parts",
]

_JOINED_KINDS: Final = frozenset({"events", "cycles", "buses"})
"""What is read from the beginning to the end, of streams with few rows a part."""
PARTS_PER_COPY: Final = 8
MAX_COPY_ROWS: Final = 262_144
"""More are not joined: so many are read at once without a thought for memory."""
COPIES_AT_ONCE: Final = 16
"""Made beside other work at most: a recording of before copies gets them little by little."""


def is_joined(stream: str) -> bool:
    """Return whether the parts of a stream are also kept joined."""
    return stream.partition("/")[0] in _JOINED_KINDS


def may_have_copies(stream: str, part_count: int) -> bool:
    """Return whether some of so many neighbouring parts of a stream may be joined."""
    return is_joined(stream) and part_count >= PARTS_PER_COPY


@dataclass(frozen=True, slots=True)
class Cover:
    """What is read in place of some neighbouring parts of a stream."""

    part: Part
    """A copy of them, or the only one."""
    parts: tuple[Part, ...]
    """Those that it stands for, in order of their rows."""

    @property
    def is_copy(self) -> bool:
        """Whether it can be replaced by the parts that it was made of."""
        return self.part is not self.parts[0]


def cover_parts(parts: Sequence[Part], copies: Sequence[Part]) -> list[Cover]:
    """Return what is read of a stream: the widest copies, and the parts that have none.

    By names: no file is opened. A copy of which a part is missing is left out.
    """
    starts = {part.first_row: place for place, part in enumerate(parts)}
    ends = {part.end_row: place for place, part in enumerate(parts)}
    covers: list[Cover] = []
    done = 0
    for copy in sorted(copies, key=lambda one: (one.first_row, -one.end_row)):
        first, last = starts.get(copy.first_row), ends.get(copy.end_row)
        if first is None or last is None or not done <= first < last:
            continue
        own = tuple(parts[first : last + 1])
        if _follow_each_other(own):
            covers += [Cover(part, (part,)) for part in parts[done:first]]
            covers.append(Cover(copy, own))
            done = last + 1
    return covers + [Cover(part, (part,)) for part in parts[done:]]


def _follow_each_other(parts: Sequence[Part]) -> bool:
    return all(part.end_row == following.first_row for part, following in pairwise(parts))


def read_covers(
    covers: Sequence[Cover], read: Callable[[Part], pa.Table | None]
) -> Iterator[tuple[int, pa.Table]]:
    """Yield the first row's number and the rows of each, of damaged copies those of their parts.

    Parameters
    ----------
    read
        Returns the rows of a part that are wanted, None for none; raises InputError for damage.

    Raises
    ------
    InputError
        A part is damaged. One whose footer is damaged counts as without rows.
    """
    for cover in covers:
        if cover.is_copy and is_whole(cover.part):
            try:
                table = read(cover.part)
            except InputError:
                pass
            else:
                if table is not None:
                    yield cover.part.first_row, table
                continue
        for part in cover.parts:
            table = read(part)
            if table is not None:
                yield part.first_row, table


def is_whole(copy: Part) -> bool:
    """Return whether the footer of a copy can be read and is that of its rows."""
    return not copy.verify_error and copy.stated_rows == copy.end_row - copy.first_row


def join_parts(
    recording: Path, stream: str, *, recording_id: str, most: int | None = COPIES_AT_ONCE
) -> bool:
    """Write the copies that are due in a stream; the caller holds the recording's lock.

    Parameters
    ----------
    recording_id
        Of recording.json, which parts and copies state.
    most
        So many copies at most; None: all.

    Returns
    -------
    bool
        Whether any was written.

    Raises
    ------
    OSError
        The disk took no more; what is there is whole.
    """
    parts = list_parts(recording / stream, PartOwner(recording_id, stream))
    if len(parts) < PARTS_PER_COPY:
        return False
    owner = PartOwner(recording_id, joined_stream(stream))
    copies = list_parts(recording / joined_stream(stream), owner)
    covers = cover_parts(parts, copies)
    # What a crash left beside the wider copy that was made of it.
    _remove_within(copies, covers)
    made = 0
    tier = 0
    while any(_tier(cover) >= tier for cover in covers):
        joined: list[Cover] = []
        group: list[Cover] = []
        for cover in covers:
            if _tier(cover) != tier:
                joined += [*group, cover]
                group = []
                continue
            group.append(cover)
            if len(group) < PARTS_PER_COPY:
                continue
            copy = None
            if most is None or made < most:
                copy = _joined_copy(recording / joined_stream(stream), group, owner)
            joined += group if copy is None else [copy]
            made += copy is not None
            group = []
        covers = joined + group
        tier += 1
    return bool(made)


def rejoin_parts(recording: Path, stream: str, *, recording_id: str) -> bool:
    """Remove the copies that are damaged and write all that are due; as `join_parts` else."""
    owner = PartOwner(recording_id, joined_stream(stream))
    damaged = [
        copy
        for copy in list_parts(recording / joined_stream(stream), owner)
        if copy.verify_part() or not is_whole(copy)
    ]
    for copy in damaged:
        copy.path.unlink(missing_ok=True)
    return join_parts(recording, stream, recording_id=recording_id, most=None) or bool(damaged)


def _tier(cover: Cover) -> int:
    """Return how often the parts of a cover were joined by eight."""
    tier, count = 0, len(cover.parts)
    while count >= PARTS_PER_COPY:
        tier, count = tier + 1, count // PARTS_PER_COPY
    return tier


def _joined_copy(folder: Path, group: Sequence[Cover], owner: PartOwner) -> Cover | None:
    """Write the copy of neighbours and remove the copies whose place it takes; None: it may not be.

    Not of parts that are damaged, that lack rows between them, or that recorders of different ages
    wrote, whose columns differ.
    """
    parts = tuple(part for cover in group for part in cover.parts)
    rows = parts[0].first_row, parts[-1].end_row
    if rows[1] - rows[0] > MAX_COPY_ROWS or not _follow_each_other(parts):
        return None
    if any(cover.part.verify_part() or not is_whole(cover.part) for cover in group):
        return None
    tables = [table for cover in group if (table := cover.part.read_whole()) is not None]
    columns = tables[0].schema.remove_metadata() if tables else None
    if any(not table.schema.remove_metadata().equals(columns) for table in tables):
        return None
    table = pa.concat_tables(tables)
    path = write_part(folder, table, first_row=rows[0], owner=owner)
    for cover in group:
        if cover.is_copy:
            cover.part.path.unlink(missing_ok=True)
    return Cover(Part(path, *rows, owner), parts)


def _remove_within(copies: Sequence[Part], covers: Sequence[Cover]) -> None:
    """Remove the copies that stand in wider ones."""
    for cover in covers:
        if not cover.is_copy:
            continue
        for copy in copies:
            within = cover.part.first_row <= copy.first_row and copy.end_row <= cover.part.end_row
            if within and copy is not cover.part and is_whole(cover.part):
                copy.path.unlink(missing_ok=True)
