"""The events of a recording, read once: what has come since is added to those known.

A live recording is asked a hundred times a second for events that it has long written. Not locked:
the reader that owns it is.
"""

from collections.abc import Sequence

import pyarrow as pa

from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event
from logger.store.layout.older_events import events_of
from logger.store.parts.part import Part
from logger.store.reading.journal_tail import TailRun

__all__ = ["EventRows"]


class EventRows:
    """All events of one recording in sequence, as of the last look."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._end_row = 0
        self.events: tuple[Event, ...] = ()

    def take_in(self, parts: Sequence[Part], tail: Sequence[TailRun], *, rows: int) -> None:
        """Add what has come; `rows`: how many events can be read by now."""
        new = self._read(parts, tail, self._end_row)
        before = self.events[-1].sequence if self.events else -1
        if rows == len(self.events) + len(new) and all(
            event.sequence > before for event in new[:1]
        ):
            self.events += tuple(new)
        else:
            # A part was mended or is damaged: what is known is no beginning of what there is.
            self.events = tuple(self._read(parts, tail, 0))
        self._end_row = max([part.end_row for part in parts] + [run.end_row for run in tail] + [0])

    def _read(self, parts: Sequence[Part], tail: Sequence[TailRun], from_row: int) -> list[Event]:
        tables = [
            table.slice(max(from_row - part.first_row, 0))
            for part in parts
            if part.end_row > from_row and (table := part.read_whole()) is not None
        ]
        tables += [
            pa.Table.from_batches([run.batch.slice(max(from_row - run.first_row, 0))])
            for run in tail
            if run.end_row > from_row
        ]
        return events_of(tables, self._bench)
