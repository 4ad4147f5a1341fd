"""The events of a recording, read once: new ones are added to those already read.

The pages of a live recording ask for its events a hundred times a second, and few of them are new.
Not locked: the reader that owns it is.
"""

from collections.abc import Callable, Sequence
from typing import Final

import pyarrow as pa

from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event
from logger.store.layout.older_events import events_of
from logger.store.parts.part import Part
from logger.store.reading.journal_tail import TailRun

__all__ = ["EventRows"]

_PARTS_AT_ONCE: Final = 64


class EventRows:
    """All events of one recording in sequence, as of the last `take_in`."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.end_row = 0
        """The number after that of the newest event that was read."""
        self.events: tuple[Event, ...] = ()

    def take_in(
        self, parts: Sequence[Part], tail: Sequence[TailRun], *, count: Callable[[], int]
    ) -> None:
        """Add the events after those already read; `count`: how many can be read by now."""
        new_events = self._read(parts, tail, self.end_row)
        rows = count()
        last_sequence = self.events[-1].sequence if self.events else -1
        if rows == len(self.events) + len(new_events) and all(
            event.sequence > last_sequence for event in new_events[:1]
        ):
            self.events += tuple(new_events)
        else:
            # A part was repaired or damaged: the events read before are no prefix of all events.
            self.events = tuple(self._read(parts, tail, 0))
        self.end_row = max([part.end_row for part in parts] + [run.end_row for run in tail] + [0])

    def _read(self, parts: Sequence[Part], tail: Sequence[TailRun], from_row: int) -> list[Event]:
        events: list[Event] = []
        new_parts = [part for part in parts if part.end_row > from_row]
        # Some at a time: a table takes far more than the few events of a part.
        for first in range(0, len(new_parts), _PARTS_AT_ONCE):
            tables = [
                table.slice(max(from_row - part.first_row, 0))
                for part in new_parts[first : first + _PARTS_AT_ONCE]
                if (table := part.read_whole()) is not None
            ]
            events += events_of(tables, self._bench)
        tables = [
            pa.Table.from_batches([run.batch.slice(max(from_row - run.first_row, 0))])
            for run in tail
            if run.end_row > from_row
        ]
        events += events_of(tables, self._bench)
        events.sort(key=lambda event: event.sequence)
        return events
