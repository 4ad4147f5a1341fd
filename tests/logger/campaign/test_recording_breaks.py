"""Breaks in a recording: until when a value that was read may hold."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.arrays import TIME_MAX_NS
from logger.campaign.recording_breaks import RecordingBreaks

spans = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 10)), max_size=6).map(
    lambda found: [(begin, begin + length) for begin, length in found]
)


@given(spans, spans, st.integers(0, 50))
def test_a_value_holds_until_the_next_break_that_ends_later(
    first: list[tuple[int, int]], more: list[tuple[int, int]], since: int
):
    """In any order, one over another, given at once or in two steps; what is past may go."""
    breaks = RecordingBreaks.of(first).joined(RecordingBreaks.of(more))
    time_ns = np.arange(since, 60)
    expected = [
        min((begin for begin, end in (*first, *more) if end > at), default=TIME_MAX_NS)
        for at in time_ns.tolist()
    ]
    assert breaks.held_until(time_ns).tolist() == expected
    assert breaks.after(since).held_until(time_ns).tolist() == expected
    assert len(breaks.after(60)) == 0
