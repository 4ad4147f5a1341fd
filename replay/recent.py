"""The newest rows of each joint and every event, read once for all who ask.

A live recording is asked a hundred times a second for its last few rows, by each page for each
channel, and for events that it has long told. Gives what the reader gives, rows and order alike
(a property test holds it). Safe for several threads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Final

import numpy as np
import pyarrow as pa

from logger.joint.batch import ReadingBatch
from logger.limits.lifecycle import Alert, alerts_from_events
from logger.store.layout.events import Event, events_from
from logger.store.layout.files import status_stream
from logger.store.layout.schema import conform, readings_from_table
from logger.store.reading.live_reader import LiveReader
from logger.store.reading.reader import RecordingReader

__all__ = ["EventCache", "RecentRows"]

RECENT_NS: Final = 4_000_000_000
ALWAYS_NS: Final = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class _RecentBatch:
    since_ns: int
    """From this instant on every row is here."""
    end_row: int
    batch: ReadingBatch


class RecentRows:
    """The rows of the last seconds of each joint, with all its channels."""

    def __init__(self, reader: LiveReader, channels: dict[str, tuple[str, ...]]) -> None:
        self._reader = reader
        self._channels = channels
        self._lock = Lock()
        self._recent_batches: dict[str, _RecentBatch] = {}

    def recent_readings(
        self, joint: str, start_ns: int, end_ns: int, channels: Sequence[str]
    ) -> ReadingBatch | None:
        """Return a joint's rows in [start_ns, end_ns); None if some lie too far back."""
        span = self._reader.span_ns(status_stream(joint))
        if span is None or start_ns < span[1] - RECENT_NS:
            return None
        with self._lock:
            recent = self._update_joint(joint, span[1])
        if recent is None or start_ns < recent.since_ns:
            return None
        low, high = np.searchsorted(recent.batch.time_ns, (start_ns, end_ns))
        rows = slice(int(low), int(high))
        return ReadingBatch(
            joint=joint,
            time_ns=recent.batch.time_ns[rows],
            position_segment=recent.batch.position_segment[rows],
            columns={name: recent.batch.columns[name][rows] for name in channels},
        )

    def _update_joint(self, joint: str, newest_ns: int) -> _RecentBatch | None:
        """Return what is kept of a joint with what has come since; None where it is not whole."""
        recent, stream = self._recent_batches.get(joint), status_stream(joint)
        end_row = self._reader.end_row(stream)
        if recent is not None and recent.end_row >= end_row:
            return recent
        known_row = recent.end_row if recent is not None else 0
        from_ns = newest_ns - RECENT_NS
        new_batches: list[pa.RecordBatch] = []
        row = reached_row = 0
        for first_row, batch in reversed(self._reader.arrived_at(stream, known_row)):
            next_row = first_row + batch.num_rows
            if batch.column(0)[-1].value < from_ns or (new_batches and next_row < row):
                break
            if not new_batches:
                reached_row = next_row
            row = max(first_row, known_row)
            new_batches.insert(0, batch.slice(row - first_row))
        # Rows that went from the journal into a part before they were seen are not to be had here.
        if reached_row < end_row:
            return None
        channels = self._channels[joint]
        schema = self._reader.schemas[stream]
        table = conform(pa.Table.from_batches(new_batches), schema)
        batch = readings_from_table(joint, table.select(["time", "position_segment", *channels]))
        if recent is None or row > known_row:
            # Rows of the same instant may stand before the first one.
            since_ns = int(batch.time_ns[0]) + 1
        else:
            recent_rows = slice(int(np.searchsorted(recent.batch.time_ns, from_ns)), None)
            batch = ReadingBatch.concatenate(
                [recent.batch.select_rows(recent_rows), batch], channels=channels
            )
            since_ns = max(recent.since_ns, from_ns)
        self._recent_batches[joint] = _RecentBatch(
            since_ns=since_ns, end_row=reached_row, batch=batch
        )
        return self._recent_batches[joint]


class EventCache:
    """The events of a recording and the alerts they make; new ones are added to those known."""

    def __init__(self, reader: RecordingReader) -> None:
        self._reader = reader
        self._lock = Lock()
        self._end_row = 0
        self._events: tuple[Event, ...] = ()
        self._alerts: tuple[Alert, ...] = ()

    def events_and_alerts(self) -> tuple[tuple[Event, ...], tuple[Alert, ...]]:
        """Return all events in sequence, and the alerts with their life so far."""
        with self._lock:
            if self._reader.row_count("events") != len(self._events):
                self._append_new_events()
            return self._events, self._alerts

    def _append_new_events(self) -> None:
        parts, tail = self._reader.stored_parts("events")
        begin = self._end_row
        tables = [
            table.slice(max(begin - part.first_row, 0))
            for part in parts
            if part.end_row > begin
            and (table := part.read_span(start_ns=-ALWAYS_NS, end_ns=ALWAYS_NS)) is not None
        ]
        tables += [
            pa.Table.from_batches([batch.slice(max(begin - first_row, 0))])
            for first_row, batch in tail
            if first_row + batch.num_rows > begin
        ]
        schema = self._reader.schemas["events"]
        new_events = events_from(
            pa.concat_tables([table.cast(schema) for table in tables])
            if tables
            else schema.empty_table()
        )
        last_sequence = self._events[-1].sequence if self._events else -1
        if self._reader.row_count("events") == len(self._events) + len(new_events) and all(
            event.sequence > last_sequence for event in new_events[:1]
        ):
            self._events += tuple(new_events)
            self._alerts = alerts_from_events(new_events, so_far=self._alerts)
        else:
            # A part was mended or is damaged: what is known is no beginning of what there is.
            self._events = tuple(self._reader.read_events())
            self._alerts = alerts_from_events(self._events)
        ends = [part.end_row for part in parts]
        ends += [first_row + batch.num_rows for first_row, batch in tail]
        self._end_row = max(ends, default=0)
