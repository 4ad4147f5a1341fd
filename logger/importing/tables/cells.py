"""The numbers in the cells of a table, and what could not be read: told by row, never lost.

A cell that is blank or holds no number is no value; the others of its row count. Of each column
the cells that could not be read are counted, and the first of them kept with their rows.
"""

import re
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from logger.arrays import Floats, Ints

__all__ = [
    "ColumnFaults",
    "cast_cells",
    "combined",
    "has_foreign_decimals",
    "read_numbers",
    "trimmed",
]

SHOWN_CELLS: Final = 3
_SHOWN_CHARACTERS: Final = 60
_OTHER_DECIMALS: Final = {
    ".": re.compile(r"[+-]?\d+,\d+"),
    ",": re.compile(r"[+-]?\d+\.\d+"),
}
"""What a number with the other decimal mark looks like."""


@dataclass(slots=True, kw_only=True)
class ColumnFaults:
    """What could not be read in one column so far."""

    column: str
    expected: str = "a number"
    blank: int = 0
    first_blank: list[int] = field(default_factory=list)
    """Rows of the first few blank cells."""
    unread: int = 0
    first_unread: list[tuple[int, str]] = field(default_factory=list)
    """(row, what stands there) of the first few."""

    def note_blank(self, rows: Ints) -> None:
        """Count blank cells in these rows."""
        self.first_blank += rows[: SHOWN_CELLS - len(self.first_blank)].tolist()
        self.blank += len(rows)

    def note_unread(self, rows: Ints, cells: pa.Array) -> None:
        """Count cells that hold something else, in these rows."""
        for row, cell in zip(
            rows[:SHOWN_CELLS].tolist(), cells[:SHOWN_CELLS].to_pylist(), strict=True
        ):
            if len(self.first_unread) < SHOWN_CELLS:
                self.first_unread.append((row, str(cell)[:_SHOWN_CHARACTERS]))
        self.unread += len(rows)

    def sentences(self) -> list[str]:
        """Return what is to be told of the column; empty where all was read."""
        sentences = []
        if self.unread:
            shown = ", ".join(f"{cell!r} in row {row}" for row, cell in self.first_unread)
            cells = f"{self.unread} cell{'s' if self.unread > 1 else ''}"
            more = ", ..." if self.unread > len(self.first_unread) else ""
            sentences.append(
                f"{self.column}: {cells} could not be read, expected {self.expected}: found "
                f"{shown}{more}."
            )
        if self.blank:
            shown = ", ".join(map(str, self.first_blank))
            more = ", ..." if self.blank > len(self.first_blank) else ""
            one = self.blank == 1
            sentences.append(
                f"{self.column}: {self.blank} blank cell{'' if one else 's'}, in row"
                f"{'' if one else 's'} {shown}{more}."
            )
        return sentences

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "column": self.column,
            "unread": self.unread,
            "blank": self.blank,
            "first": [{"row": row, "found": cell} for row, cell in self.first_unread],
            "blank_rows": self.first_blank,
        }


def trimmed(column: pa.ChunkedArray) -> pa.Array:
    """Return cells of text without blanks around them, null where nothing is left."""
    cells = combined(column.cast(pa.string()))
    text = pc.utf8_trim_whitespace(cells)
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)


def cast_cells(cells: pa.Array, kind: pa.DataType) -> pa.Array:
    """Return cells as another type, null where a cell is none of it.

    All at once where all can be read; else in halves, so that one cell costs no other.
    """
    try:
        return cells.cast(kind)
    except pa.ArrowInvalid:
        if len(cells) == 1:
            return pa.nulls(1, kind)
    middle = len(cells) // 2
    return pa.concat_arrays([cast_cells(cells[:middle], kind), cast_cells(cells[middle:], kind)])


def read_numbers(
    column: pa.ChunkedArray, rows: Ints, faults: ColumnFaults, *, decimal: str
) -> Floats:
    """Return the numbers of n cells, NaN where there is none, and note what was not read.

    Parameters
    ----------
    rows
        The number of each cell's row, shape (n,).
    decimal
        What stands before the decimals of a text: "." or ",".
    """
    if len(rows) == 0:
        return np.empty(0)
    is_text = pa.types.is_string(column.type) or pa.types.is_large_string(column.type)
    if is_text:
        cells = trimmed(column)
        plain = cells
        if decimal == ",":
            # A point in such a table is no decimal mark: the cell is none of a number.
            plain = pc.if_else(pc.match_substring(cells, "."), "x", cells)
            plain = pc.replace_substring(plain, ",", ".")
        numbers = cast_cells(plain, pa.float64())
    else:
        cells = combined(column)
        try:
            numbers = cells.cast(pa.float64(), safe=False)
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            numbers = pa.nulls(len(cells), pa.float64())
    # A negative zero is a zero, as in what joints report.
    values: NDArray[np.float64] = numbers.to_numpy(zero_copy_only=False) + 0.0
    no_number = ~np.isfinite(values)
    if no_number.any():
        values[no_number] = np.nan
        blank = pc.is_null(cells).to_numpy(zero_copy_only=False)
        if not is_text:
            blank = blank | np.isnan(numbers.to_numpy(zero_copy_only=False))
        unread = no_number & ~blank
        faults.note_blank(rows[no_number & blank])
        faults.note_unread(rows[unread], cells.filter(pa.array(unread)))
    return values


def has_foreign_decimals(faults: ColumnFaults, decimal: str) -> bool:
    """Return whether a cell that could not be read is a number with the other decimal mark."""
    return any(_OTHER_DECIMALS[decimal].fullmatch(cell) for _, cell in faults.first_unread)


def combined(column: pa.ChunkedArray) -> pa.Array:
    """Return the cells of a column as one array."""
    cells = column.combine_chunks()
    if isinstance(cells, pa.ChunkedArray):
        return pa.concat_arrays(cells.chunks) if cells.num_chunks else pa.nulls(0, column.type)
    return cells
