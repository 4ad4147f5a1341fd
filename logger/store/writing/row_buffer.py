"""The buffer of rows that are not in a part yet: the common base of both writers."""

import pyarrow as pa

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event, events_table
from logger.store.layout.files import status_stream
from logger.store.layout.schema import frames_table, readings_table, stream_schemas
from logger.store.writing.sealer import Run

__all__ = ["RowBuffer"]


class RowBuffer:
    """Takes rows, numbers them by stream, and keeps them until they become parts."""

    def __init__(self, bench: Bench) -> None:
        self._streams = stream_schemas(bench)
        self._rows = dict.fromkeys(self._streams, 0)
        self._buffered: dict[str, list[Run]] = {stream: [] for stream in self._streams}

    def row_count(self, stream: str) -> int:
        """Return how many rows a stream has, sealed and buffered."""
        return self._rows[stream]

    def append_rows(self, stream: str, batch: pa.RecordBatch) -> None:
        """Add rows to a stream; raises KeyError for a stream that the recording does not have."""
        first_row = self._rows[stream]
        if batch.num_rows == 0:
            return
        self._buffered[stream].append((first_row, batch))
        self._rows[stream] = first_row + batch.num_rows

    def append_frames(self, batch: FrameBatch) -> None:
        """Add raw frames."""
        self.append_rows("frames", frames_table(batch))

    def append_readings(self, batch: ReadingBatch) -> None:
        """Add decoded readings of one joint."""
        stream = status_stream(batch.joint)
        self.append_rows(stream, readings_table(batch, self._streams[stream]))

    def append_events(self, events: list[Event]) -> None:
        """Add events."""
        if events:
            self.append_rows("events", events_table(events))

    def _buffered_rows(self) -> int:
        """Return how many rows are buffered in all streams together."""
        return sum(
            self._rows[stream] - runs[0][0] for stream, runs in self._buffered.items() if runs
        )

    def _take_buffered(self) -> dict[str, list[Run]]:
        """Return the buffered rows by stream, and empty the buffer."""
        rows = {stream: runs for stream, runs in self._buffered.items() if runs}
        self._buffered = {stream: [] for stream in self._streams}
        return rows
