"""Splits a span of time into chunks, so that each read of a recording is bounded. Pure."""

from collections.abc import Iterator
from typing import Final

__all__ = ["CHUNK_NS", "time_chunks"]

CHUNK_NS: Final = 600 * 1_000_000_000
"""Ten minutes: 600,000 rows of a joint that reports at 1 kHz."""


def time_chunks(
    start_ns: int, end_ns: int, width_ns: int = CHUNK_NS, *, on_grid: bool = False
) -> Iterator[tuple[int, int]]:
    """Yield (begin_ns, until_ns) that tile [start_ns, end_ns) in order, each [begin, until).

    Parameters
    ----------
    width_ns
        Width of a chunk; the last, and on a grid the first, may be narrower.
    on_grid
        Split at the multiples of `width_ns`, so that overlapping spans are split alike.
    """
    begin_ns = start_ns
    while begin_ns < end_ns:
        until_ns = (begin_ns // width_ns + 1) * width_ns if on_grid else begin_ns + width_ns
        until_ns = min(until_ns, end_ns)
        yield begin_ns, until_ns
        begin_ns = until_ns
