"""The rows of a stream piece by piece, and what of them cannot be read.

A piece is a row group of a part, or a run of the journal. Reading on where one of them is damaged
costs that piece and no more, and what is lost is told with the time between which it lay. For
whoever copies a recording; who looks at it wants an error instead (see `read`). It never writes.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final

import pyarrow as pa

from logger.errors import InputError
from logger.store.layout.schema import shaped
from logger.store.parts.part import Part
from logger.store.reading.reader import RecordingReader

__all__ = ["Lost", "Piece", "pieces_of", "rows_of_pieces"]

_EVER: Final = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Rows that are read at once."""

    first_row: int
    end_row: int
    first_ns: int
    last_ns: int
    read: Callable[[], pa.Table]
    """Raises InputError when they are damaged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Rows that cannot be read, and the times between which they lay."""

    after_ns: int
    before_ns: int
    text: str

    def touches(self, start_ns: int, end_ns: int) -> bool:
        """Return whether any of them may lie in [start_ns, end_ns)."""
        return self.after_ns < end_ns and self.before_ns >= start_ns


def pieces_of(reader: RecordingReader, stream: str) -> tuple[list[Piece], list[Lost]]:
    """Return what a stream holds in order of its rows, and the holes in it."""
    parts, tail = reader.held(stream)
    pieces = [piece for part in parts for piece in _groups(part)]
    pieces += [_run(first_row, batch) for first_row, batch in tail]
    pieces.sort(key=lambda piece: piece.first_row)
    damaged = [part for part in parts if part.damage]
    end_row = max([reader.manifest.rows.get(stream, 0), *(part.end_row for part in damaged)])
    lost: list[Lost] = []
    row, after_ns = 0, -_EVER
    for piece in pieces:
        if piece.first_row > row:
            text = _named(stream, damaged, row, piece.first_row)
            lost.append(Lost(after_ns=after_ns, before_ns=piece.first_ns, text=text))
        row, after_ns = max(row, piece.end_row), max(after_ns, piece.last_ns)
    if end_row > row:
        text = _named(stream, damaged, row, end_row)
        lost.append(Lost(after_ns=after_ns, before_ns=_EVER, text=text))
    return pieces, lost


def _groups(part: Part) -> Iterator[Piece]:
    row = part.first_row
    for group, (first_ns, last_ns) in enumerate(part.spans):
        count = part.footer.row_group(group).num_rows
        yield Piece(
            first_row=row,
            end_row=row + count,
            first_ns=first_ns,
            last_ns=last_ns,
            read=partial(part.read_group, group),
        )
        row += count


def _run(first_row: int, batch: pa.RecordBatch) -> Piece:
    times = batch.column(0).cast(pa.int64())
    return Piece(
        first_row=first_row,
        end_row=first_row + batch.num_rows,
        first_ns=times[0].as_py(),
        last_ns=times[-1].as_py(),
        read=lambda: pa.Table.from_batches([batch]),
    )


def _named(stream: str, damaged: list[Part], row: int, end_row: int) -> str:
    of = [part for part in damaged if part.first_row < end_row and part.end_row > row]
    why = "; ".join(f"{part.path.name} cannot be read: {part.damage}" for part in of)
    return f"{stream}: rows {row} to {end_row - 1} are missing{f' ({why})' if why else ''}."


def rows_of_pieces(
    pieces: list[Piece],
    schema: pa.Schema,
    *,
    start_ns: int,
    end_ns: int,
    lost: Callable[[str], object],
) -> Iterator[pa.Table]:
    """Yield the rows of a time-ordered stream in [start_ns, end_ns), a table a piece, in order.

    `lost` is called with a sentence for each piece that is damaged.
    """
    for piece in pieces:
        if piece.last_ns < start_ns or piece.first_ns >= end_ns:
            continue
        try:
            table = shaped(piece.read(), schema)
        except InputError as fault:
            lost(str(fault))
            continue
        times = table["time"].cast(pa.int64()).to_numpy()
        low, high = times.searchsorted([start_ns, end_ns])
        yield table.slice(int(low), int(high - low))
