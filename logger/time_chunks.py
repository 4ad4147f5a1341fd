"""A span of time in pieces, so that what is read of a recording at a time is bounded. Pure."""

from collections.abc import Iterator
from typing import Final

__all__ = ["CHUNK_NS", "time_chunks"]

CHUNK_NS: Final = 600 * 1_000_000_000
"""Ten minutes: at 1 kHz six hundred thousand rows."""


def time_chunks(
    start_ns: int, end_ns: int, width_ns: int = CHUNK_NS, *, on_grid: bool = False
) -> Iterator[tuple[int, int]]:
    """Yield [begin, until) that tile [start_ns, end_ns), each at most `width_ns` wide, in order.

    `on_grid`: cut at the multiples of `width_ns`, so that spans which overlap are cut alike.
    """
    at = start_ns
    while at < end_ns:
        until = (at // width_ns + 1) * width_ns if on_grid else at + width_ns
        until = min(until, end_ns)
        yield at, until
        at = until
