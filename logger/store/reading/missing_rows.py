"""The rows that are known to be missing of a stream, in sentences. Pure."""

from collections.abc import Iterator, Sequence

from logger.store.layout.manifest import Manifest
from logger.store.parts.part import Part
from logger.store.reading.journal_tail import TailRun

__all__ = ["missing_rows"]


def missing_rows(
    stream: str, parts: Sequence[Part], tail: Sequence[TailRun], manifest: Manifest
) -> Iterator[str]:
    """Yield a sentence for each hole in a stream, and for each part that cannot be read whole.

    Of the parts that were opened: none is opened for this.

    `manifest`: says how many rows the stream has at least, and which were let go.
    """
    rows = manifest.rows.get(stream, 0)
    let_go = manifest.frames_let_go if stream == "frames" else ()
    ranges = sorted(
        [(part.first_row, part.end_row) for part in parts]
        + [(run.first_row, run.end_row) for run in tail]
        + [(span.first_row, span.end_row) for span in let_go]
    )
    row = 0
    for first, end in ranges:
        if first > row:
            yield f"{stream}: rows {row} to {first - 1} are missing."
        row = max(row, end)
    if row < rows:
        yield f"{stream}: rows {row} to {rows - 1} are missing."
    for part in parts:
        if not part.is_opened:
            continue
        if part.verify_error:
            yield f"{part.name} of {stream} cannot be read: {part.verify_error}"
        elif part.stated_rows != part.end_row - part.first_row:
            yield (
                f"{part.name} of {stream} holds {part.stated_rows} rows, "
                f"expected {part.end_row - part.first_row}."
            )
