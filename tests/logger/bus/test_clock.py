"""One time axis: never backwards, whatever the wall clock does; what it did is said once."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.bus.clock import ClockSample, RecordingClock, read_clocks

S = 1_000_000_000
HOUR = 3600 * S
ANCHOR = ClockSample(boottime_ns=50 * S, monotonic_ns=40 * S, wall_ns=1_795_000_000 * S)


def _later(
    reading: ClockSample, by_ns: int, *, step_ns: int = 0, suspended_ns: int = 0
) -> ClockSample:
    return ClockSample(
        boottime_ns=reading.boottime_ns + by_ns + suspended_ns,
        monotonic_ns=reading.monotonic_ns + by_ns,
        wall_ns=reading.wall_ns + by_ns + suspended_ns + step_ns,
    )


@pytest.mark.parametrize(("step_ns", "way"), [(HOUR, "forward"), (-HOUR, "back")])
def test_a_step_of_an_hour_moves_nothing(step_ns: int, way: str):
    """Stamps before and after a step lie where they were taken; the step is said once."""
    axis = RecordingClock(ANCHOR)
    before = _later(ANCHOR, S)
    early = axis.map_stamps(np.array([before.wall_ns - 1000]), before)
    assert axis.clock_changes(before) == []
    after = _later(before, S, step_ns=step_ns)
    said = axis.clock_changes(after)
    assert len(said) == 1
    assert f"set {way} by 3600.000 s" in said[0]
    late = axis.map_stamps(np.array([after.wall_ns - 1000]), after)
    assert int(late[0] - early[0]) == S
    assert axis.clock_changes(_later(after, S)) == []


def test_a_stamp_from_before_a_step_counts_as_now():
    """The wall clock as it is now cannot have given it."""
    axis = RecordingClock(ANCHOR)
    after = _later(ANCHOR, S, step_ns=-HOUR)
    assert axis.map_stamps(np.array([ANCHOR.wall_ns + S // 2]), after).tolist() == [
        axis.time_at(after)
    ]
    assert axis.map_stamps(np.array([0]), after).tolist() == [axis.time_at(after)]


def test_a_suspend_is_counted_and_is_no_step():
    """The axis goes on through a suspend, and it is no clock step."""
    axis = RecordingClock(ANCHOR)
    after = _later(ANCHOR, S, suspended_ns=100 * S)
    assert axis.clock_changes(after) == []
    assert axis.time_at(after) == ANCHOR.wall_ns + 101 * S


@given(
    st.lists(
        st.tuples(
            st.integers(0, 5 * S),
            st.sampled_from([0, 0, 0, 10_000_000, HOUR, -HOUR, S, -S]),
            st.sampled_from([0, 0, 0, 900 * S]),
            st.lists(st.integers(-3 * S, 3 * S), max_size=4),
        ),
        max_size=30,
    )
)
def test_time_never_runs_backwards(history: list[tuple[int, int, int, list[int]]]):
    """Any steps, suspends and stamps, even nonsense: non-decreasing and never in the future."""
    axis, reading, latest = RecordingClock(ANCHOR), ANCHOR, ANCHOR.wall_ns
    for by_ns, step_ns, suspended_ns, stamps in history:
        reading = _later(reading, by_ns, step_ns=step_ns, suspended_ns=suspended_ns)
        axis.clock_changes(reading)
        times = axis.map_stamps(np.array(stamps, np.int64) + reading.wall_ns, reading)
        for time_ns in times.tolist():
            assert latest <= time_ns <= axis.time_at(reading)
            latest = time_ns


def test_the_system_gives_the_three_clocks():
    """They go on."""
    first, second = read_clocks(), read_clocks()
    assert second.boottime_ns > first.boottime_ns
    assert second.monotonic_ns > first.monotonic_ns
