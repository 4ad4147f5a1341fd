"""The rows of a stream chunk by chunk, and which of them cannot be read.

A chunk is a row group of a part, or a run of the journal. Damage costs the chunk that it is in and
no more, and the lost rows are described with the times between which they lay. For copies of a
recording; a window raises an error instead (see `RecordingReader.read_rows`). It never writes.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import pyarrow as pa

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.errors import InputError
from logger.store.layout.frames_let_go import are_let_go
from logger.store.layout.schema import conform
from logger.store.parts.part import Part
from logger.store.reading.reader import RecordingReader

__all__ = ["RowChunk", "UnreadableRows", "chunk_rows", "row_chunks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowChunk:
    """Rows that are read in one piece, all or none of them."""

    first_row: int
    end_row: int
    first_ns: int
    last_ns: int
    read_table: Callable[[], pa.Table]
    """Raises InputError when they are damaged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreadableRows:
    """Rows that cannot be read, and the times between which they lay."""

    after_ns: int
    before_ns: int
    text: str

    def may_overlap(self, start_ns: int, end_ns: int) -> bool:
        """Return whether any of them may lie in [start_ns, end_ns)."""
        return self.after_ns < end_ns and self.before_ns >= start_ns


def row_chunks(reader: RecordingReader, stream: str) -> tuple[list[RowChunk], list[UnreadableRows]]:
    """Return the chunks of a stream in order of their rows, and the holes between them."""
    parts, tail = reader.stored_parts(stream)
    chunks = [chunk for part in parts for chunk in _group_chunks(part)]
    chunks += [_tail_chunk(first_row, batch) for first_row, batch in tail]
    chunks.sort(key=lambda chunk: chunk.first_row)
    damaged = [part for part in parts if part.verify_error]
    end_row = max([reader.manifest.rows.get(stream, 0), *(part.end_row for part in damaged)])
    let_go = reader.manifest.frames_let_go if stream == "frames" else ()
    unreadable: list[UnreadableRows] = []
    row, after_ns = 0, TIME_MIN_NS
    for chunk in chunks:
        if chunk.first_row > row and not are_let_go(let_go, row, chunk.first_row):
            text = _damage_text(stream, damaged, row, chunk.first_row)
            unreadable.append(
                UnreadableRows(after_ns=after_ns, before_ns=chunk.first_ns, text=text)
            )
        row, after_ns = max(row, chunk.end_row), max(after_ns, chunk.last_ns)
    if end_row > row:
        text = _damage_text(stream, damaged, row, end_row)
        unreadable.append(UnreadableRows(after_ns=after_ns, before_ns=TIME_MAX_NS, text=text))
    return chunks, unreadable


def _group_chunks(part: Part) -> Iterator[RowChunk]:
    row = part.first_row
    for group, (first_ns, last_ns) in enumerate(part.spans):
        count = part.footer.row_group(group).num_rows
        yield RowChunk(
            first_row=row,
            end_row=row + count,
            first_ns=first_ns,
            last_ns=last_ns,
            read_table=partial(part.read_group, group),
        )
        row += count


def _tail_chunk(first_row: int, batch: pa.RecordBatch) -> RowChunk:
    times = batch.column(0).cast(pa.int64())
    return RowChunk(
        first_row=first_row,
        end_row=first_row + batch.num_rows,
        first_ns=times[0].as_py(),
        last_ns=times[-1].as_py(),
        read_table=lambda: pa.Table.from_batches([batch]),
    )


def _damage_text(stream: str, damaged: list[Part], row: int, end_row: int) -> str:
    parts_at = [part for part in damaged if part.first_row < end_row and part.end_row > row]
    damage = "; ".join(f"{part.path.name} cannot be read: {part.verify_error}" for part in parts_at)
    return f"{stream}: rows {row} to {end_row - 1} are missing{f' ({damage})' if damage else ''}."


def chunk_rows(
    chunks: list[RowChunk],
    schema: pa.Schema,
    *,
    start_ns: int,
    end_ns: int,
    unreadable: Callable[[str], object],
) -> Iterator[pa.Table]:
    """Yield the rows of a time-ordered stream in [start_ns, end_ns), a table per chunk, in order.

    `unreadable` is called with a sentence for each chunk that is damaged.
    """
    for chunk in chunks:
        if chunk.last_ns < start_ns or chunk.first_ns >= end_ns:
            continue
        try:
            table = conform(chunk.read_table(), schema)
        except InputError as fault:
            unreadable(str(fault))
            continue
        times = table["time"].cast(pa.int64()).to_numpy()
        low, high = times.searchsorted([start_ns, end_ns])
        yield table.slice(int(low), int(high - low))
