"""Seconds and nanoseconds: there and back, and never another number than before."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, to_ns, to_s


@given(st.integers(-(10**15), 10**15))
def test_a_duration_comes_back(duration_ns: int):
    """Up to eleven days a duration survives the way through seconds to the nanosecond."""
    assert to_ns(to_s(duration_ns)) == duration_ns


@given(st.lists(st.integers(-(10**18), 10**18)))
def test_an_array_is_as_its_elements(durations_ns: list[int]):
    """Many at once give the very floats that each gives alone."""
    found = to_s(np.array(durations_ns, np.int64))
    assert found.dtype == np.float64
    assert found.tolist() == [to_s(one) for one in durations_ns]


def test_the_ends_of_time_leave_room():
    """A hold or an hour can be added to either end within int64."""
    hour_ns = 3600 * 10**9
    bounds = np.iinfo(np.int64)
    assert bounds.min < TIME_MIN_NS - hour_ns
    assert TIME_MAX_NS + hour_ns < bounds.max
