"""What both writers of a recording have in common: rows are taken, and numbered by stream."""

from abc import ABC, abstractmethod

import pyarrow as pa

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event, events_table
from logger.store.layout.files import status_stream
from logger.store.layout.schema import ReadingsTable, frames_table, stream_schemas

__all__ = ["RowWriter"]


class RowWriter(ABC):
    """Takes rows and numbers them by stream; what becomes of them is the subclass's."""

    def __init__(self, bench: Bench) -> None:
        self._streams = stream_schemas(bench)
        self._rows = dict.fromkeys(self._streams, 0)
        self._readings = {
            joint.name: (stream := status_stream(joint.name), ReadingsTable(self._streams[stream]))
            for joint in bench.joints
        }

    def row_count(self, stream: str) -> int:
        """Return how many rows a stream has, in parts or not."""
        return self._rows[stream]

    def append_rows(self, stream: str, batch: pa.RecordBatch) -> None:
        """Add rows to a stream; raises KeyError for a stream that the recording does not have."""
        first_row = self._rows[stream]
        if batch.num_rows:
            self._store_rows(stream, first_row, batch)
            self._rows[stream] = first_row + batch.num_rows

    @abstractmethod
    def _store_rows(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        """Keep rows, of which the first has the number `first_row` in its stream."""

    def append_frames(self, batch: FrameBatch) -> None:
        """Add raw frames."""
        self.append_rows("frames", frames_table(batch))

    def append_readings(self, batch: ReadingBatch) -> None:
        """Add decoded readings of one joint."""
        stream, table = self._readings[batch.joint]
        self.append_rows(stream, table.rows(batch))

    def append_events(self, events: list[Event]) -> None:
        """Add events."""
        if events:
            self.append_rows("events", events_table(events))
