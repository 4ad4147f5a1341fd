"""A span in pieces: they tile it, and on a grid they are cut alike wherever it begins."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from logger.time_chunks import time_chunks


@given(st.integers(-(10**6), 10**6), st.integers(-5, 10**5), st.integers(1, 10**5), st.booleans())
def test_pieces_tile_a_span(start_ns: int, length_ns: int, width_ns: int, on_grid: bool):  # noqa: FBT001 - hypothesis draws it
    """Nothing twice, nothing left out, nothing wider than asked; none of an empty span."""
    end_ns = start_ns + length_ns
    # Not more than a thousand of them.
    width_ns = max(width_ns, length_ns // 1000)
    pieces = list(time_chunks(start_ns, end_ns, width_ns, on_grid=on_grid))
    assert bool(pieces) == (length_ns > 0)
    assert all(0 < until - begin <= width_ns for begin, until in pieces)
    assert all(before[1] == after[0] for before, after in pairwise(pieces))
    if pieces:
        assert (pieces[0][0], pieces[-1][1]) == (start_ns, end_ns)
    if on_grid:
        assert all(until % width_ns == 0 for _, until in pieces[:-1])
