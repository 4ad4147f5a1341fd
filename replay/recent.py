"""The newest rows of each joint of a live recording, kept in memory for all readers.

Every open page reads the last few rows of every channel several times a second. The rows and their
order are those of the reader (a property test checks it). Safe for several threads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Final

import numpy as np
import pyarrow as pa

from logger.joint.batch import ReadingBatch
from logger.store.layout.files import status_stream
from logger.store.layout.schema import conform, readings_from_table
from logger.store.reading.reader import RecordingReader

__all__ = ["RecentRows"]

RECENT_NS: Final = 4_000_000_000
"""Span before the newest row that is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _RecentBatch:
    since_ns: int
    """From this instant on every row is in `batch`."""
    end_row: int
    batch: ReadingBatch


class RecentRows:
    """The rows of the last seconds of each joint, with all its channels."""

    def __init__(self, channels: dict[str, tuple[str, ...]]) -> None:
        self._channels = channels
        self._lock = Lock()
        self._recent_batches: dict[str, _RecentBatch] = {}

    def recent_readings(
        self,
        reader: RecordingReader,
        joint: str,
        start_ns: int,
        end_ns: int,
        channels: Sequence[str],
    ) -> ReadingBatch | None:
        """Return a joint's rows in [start_ns, end_ns); None if some of them are not kept."""
        span = reader.span_ns(status_stream(joint))
        if span is None or start_ns < span[1] - RECENT_NS:
            return None
        with self._lock:
            recent = self._update_joint(reader, joint, span[1])
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

    def _update_joint(
        self, reader: RecordingReader, joint: str, newest_ns: int
    ) -> _RecentBatch | None:
        """Return the kept rows of a joint with the new ones; None where some cannot be had here."""
        recent, stream = self._recent_batches.get(joint), status_stream(joint)
        end_row = reader.end_row(stream)
        if recent is not None and recent.end_row >= end_row:
            return recent
        known_row = recent.end_row if recent is not None else 0
        from_ns = newest_ns - RECENT_NS
        new_batches: list[pa.RecordBatch] = []
        row = reached_row = 0
        for first_row, batch in reversed(reader.unsealed_batches(stream, known_row)):
            next_row = first_row + batch.num_rows
            if batch.column(0)[-1].value < from_ns or (new_batches and next_row < row):
                break
            if not new_batches:
                reached_row = next_row
            row = max(first_row, known_row)
            new_batches.insert(0, batch.slice(row - first_row))
        # Rows that were sealed into a part since the last call are no longer in the journal.
        if reached_row < end_row:
            return None
        channels = self._channels[joint]
        schema = reader.schemas[stream]
        table = conform(pa.Table.from_batches(new_batches), schema)
        batch = readings_from_table(joint, table.select(["time", "position_segment", *channels]))
        if recent is None or row > known_row:
            # Rows of the same instant as the first one may be missing.
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
