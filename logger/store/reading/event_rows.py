"""The events of a recording, read once: new ones are added to those already read.

The pages of a live recording ask for its events a hundred times a second, and few of them are new.
Not locked: the reader that owns it is.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import pyarrow as pa

from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event
from logger.store.layout.older_events import events_of
from logger.store.parts.joined import Cover, read_covers
from logger.store.parts.part import Part
from logger.store.reading.journal_tail import TailRun

__all__ = ["EventRows"]

_TABLES_AT_ONCE: Final = 64
_ROWS_AT_ONCE: Final = 65_536


class EventRows:
    """All events of one recording in sequence, as of the last `take_in`."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._parts: Sequence[Part] = ()
        self._tail_rows = self._end_row = self._row_count = 0
        self._unread: list[Part] = []
        """Parts that could not be read: a file may come back."""
        self.events: tuple[Event, ...] = ()

    def is_of(self, parts: Sequence[Part], tail: Sequence[TailRun]) -> bool:
        """Return whether these hold what was taken in, and nothing else; `parts`: as listed."""
        return (
            parts is self._parts
            and _tail_rows(tail) == self._tail_rows
            and _end_row(parts, tail) == self._end_row
            and all(part.verify_error for part in self._unread)
        )

    def take_in(
        self,
        parts: Sequence[Part],
        tail: Sequence[TailRun],
        *,
        covers: Callable[[Sequence[Part]], Sequence[Cover]],
    ) -> None:
        """Add the events after those already read.

        Parameters
        ----------
        parts
            In order of their rows; not changed later on.
        tail
            The events that no part holds.
        covers
            Returns what is read in place of some of the parts.
        """
        self._unread = [part for part in self._unread if part.verify_error]
        new_events = self._read(parts, tail, self._end_row, covers)
        new_count = self._count(parts, tail, self._end_row)
        count = self._count(parts, tail, 0)
        last_sequence = self.events[-1].sequence if self.events else -1
        if count == self._row_count + new_count and all(
            event.sequence > last_sequence for event in new_events[:1]
        ):
            # The same object where there are none: what was folded of it stays true.
            self.events += tuple(new_events)
        else:
            # A part was repaired or damaged: the events read before are no prefix of all events.
            self._unread = []
            self.events = tuple(self._read(parts, tail, 0, covers))
            count = self._count(parts, tail, 0)
        self._parts, self._row_count = parts, count
        self._tail_rows, self._end_row = _tail_rows(tail), _end_row(parts, tail)

    def _count(self, parts: Sequence[Part], tail: Sequence[TailRun], from_row: int) -> int:
        """Return how many rows there are from a row on, but for those of parts not read."""
        unread = {id(part) for part in self._unread}
        ranges = [(part.first_row, part.end_row) for part in parts if id(part) not in unread]
        ranges += [(run.first_row, run.end_row) for run in tail]
        return sum(end - max(first, from_row) for first, end in ranges if end > from_row)

    def _read(
        self,
        parts: Sequence[Part],
        tail: Sequence[TailRun],
        from_row: int,
        covers: Callable[[Sequence[Part]], Sequence[Cover]],
    ) -> list[Event]:
        new_parts = [part for part in parts if part.end_row > from_row]
        events: list[Event] = []
        tables: list[pa.Table] = []
        for first_row, table in read_covers(covers(new_parts), self._read_part):
            tables.append(table.slice(max(from_row - first_row, 0)))
            # Some at a time: a table takes far more than the few events of a part.
            if len(tables) >= _TABLES_AT_ONCE or table.num_rows >= _ROWS_AT_ONCE:
                events += events_of(tables, self._bench)
                tables = []
        events += events_of([*tables, *_tail_tables(tail, from_row)], self._bench)
        events.sort(key=lambda event: event.sequence)
        return events

    def _read_part(self, part: Part) -> pa.Table | None:
        if part.verify_error:
            self._unread.append(part)
            return None
        return part.read_whole()


def _tail_tables(tail: Sequence[TailRun], from_row: int) -> Iterator[pa.Table]:
    for run in tail:
        if run.end_row > from_row:
            yield pa.Table.from_batches([run.batch.slice(max(from_row - run.first_row, 0))])


def _tail_rows(tail: Sequence[TailRun]) -> int:
    return sum(run.end_row - run.first_row for run in tail)


def _end_row(parts: Sequence[Part], tail: Sequence[TailRun]) -> int:
    return max(*(part.end_row for part in parts[-1:]), *(run.end_row for run in tail[-1:]), 0, 0)
