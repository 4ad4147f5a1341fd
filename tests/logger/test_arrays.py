"""Seconds and nanoseconds: there and back, and never another number than before."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, stamps_to_ns, to_ns, to_s


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


@given(
    st.lists(st.integers(0, 4_000_000_000 * 10**6), min_size=1),
    st.sampled_from([10**9, 10**6, 10**3]),
)
def test_whole_microseconds_survive_a_float(micros: list[int], unit_ns: int):
    """Until the year 2096: the float nearest to a decimal of microseconds gives that decimal."""
    per_unit = unit_ns // 1000
    stamps = np.array([float(Decimal(at) / per_unit) for at in micros])
    assert stamps_to_ns(stamps, unit_ns).tolist() == [at * 1000 for at in micros]


@given(st.lists(st.floats(-1e9, 4e9, allow_subnormal=False), min_size=1))
def test_a_float_is_the_shortest_decimal_that_it_stands_for(stamps: list[float]):
    """As Python writes it, to the ns; so is any ns of the first days."""
    found = stamps_to_ns(np.array(stamps)).tolist()
    written = [int((Decimal(repr(at)) * 10**9).to_integral_value()) for at in stamps]
    assert found == pytest.approx(written, rel=0, abs=1)


@given(st.lists(st.integers(0, 2**22 * 10**9), min_size=1))
def test_nanoseconds_of_the_first_days_survive_a_float(stamps_ns: list[int]):
    """What counts from the start of a log keeps its nanoseconds, for 48 days."""
    assert stamps_to_ns(np.array([at / 10**9 for at in stamps_ns])).tolist() == stamps_ns
