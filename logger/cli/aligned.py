"""Rows of words in aligned columns, for a terminal of any width, a file or a test. Pure."""

from collections.abc import Sequence

__all__ = ["format_table"]


def format_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a head and rows as lines; nothing at all where there are no rows."""
    if not rows:
        return []
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (head, *rows)
    ]
