"""A reader of a recording that still grows, cheap to ask and to keep.

A journal is flushed twenty times a second and lasts for minutes: ten thousand small batches in each
stream, which weigh more than the rows in them and are gone through at each question. What came is
put together here as it grows old; the rows and their order stay (a property test holds it).
"""

from dataclasses import replace
from typing import ClassVar

import pyarrow as pa

from logger.store.layout.remote import Location
from logger.store.reading.reader import RecordingReader

__all__ = ["LiveReader"]


class LiveReader(RecordingReader):
    """A reader that puts small batches together, and can be asked for what came last."""

    max_loose_batches: ClassVar[int] = 64
    """So many batches of a stream are left as they came."""

    def __init__(self, path: Location) -> None:
        # Stream -> the row from which on batches may be put together.
        self._loose_from: dict[str, int] = {}
        super().__init__(path)

    def refresh(self) -> bool:
        """Take in what has been written since; return whether there was anything."""
        with self._lock:
            journals_before = set(self._journals)
            news = super().refresh()
            new_journals = set(self._journals) - journals_before
            if (journals_before and new_journals) or len(new_journals) > 1:
                # A part takes what one journal held, and which rows here are of which is not known.
                self._loose_from = {
                    stream: runs[-1].end_row for stream, runs in self._tail.items() if runs
                }
            elif news:
                self._merge_loose(2 if new_journals else self.max_loose_batches)
            return news

    def _merge_loose(self, min_batches: int) -> None:
        """Make one batch of the newest in each stream that has so many."""
        for stream, runs in self._tail.items():
            row = self._loose_from.get(stream, 0)
            count = 0
            while count < len(runs) and runs[-count - 1].first_row >= row:
                count += 1
            loose = runs[len(runs) - count :]
            if count < min_batches or loose[-1].end_row - loose[0].first_row != sum(
                run.batch.num_rows for run in loose
            ):
                continue
            table = pa.Table.from_batches([run.batch for run in loose]).combine_chunks()
            merged_run = replace(loose[0], batch=table.to_batches()[0], last_ns=loose[-1].last_ns)
            runs[len(runs) - count :] = [merged_run]
            self._loose_from[stream] = merged_run.end_row

    def end_row(self, stream: str) -> int:
        """Return the number behind that of the newest row of a stream."""
        with self._lock:
            ends = [part.end_row for part in self._parts[stream][-1:]]
            ends += [run.end_row for run in self._tail[stream][-1:]]
            return max(ends, default=0)

    def arrived_at(self, stream: str, from_row: int) -> list[tuple[int, pa.RecordBatch]]:
        """Return the newest rows that no part holds yet, each batch with its first row's number.

        Those that end behind `from_row`, oldest first.
        """
        arrived = []
        with self._lock:
            for run in reversed(self._tail[stream]):
                if run.end_row <= from_row:
                    break
                arrived.append((run.first_row, run.batch))
        return arrived[::-1]
