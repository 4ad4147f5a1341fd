"""A board's own time on this machine's clock."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.bus.board_clock import BoardClock

MS = 1_000_000
START_NS = 1_800_000_000_000_000_000


@given(ways=st.lists(st.integers(1, 30), min_size=2, max_size=40), first=st.integers(0, 2**31))
def test_spacing_is_the_boards_whatever_the_way_takes(ways: list[int], first: int):
    """Once the shortest way was seen, stamps are evenly apart, and none lies ahead of arrival."""
    clock = BoardClock(MS)
    ways = [1, *ways]
    stamps = []
    for at, way in enumerate(ways):
        arrived = START_NS + (at * 10 + way) * MS
        stamps.append(int(clock.to_local_times([(first + at * 10) * MS], arrived)[0]))
        assert stamps[-1] <= arrived
    assert set(np.diff(stamps)) == {10 * MS}


def test_a_counter_that_starts_again_goes_on():
    """2**32 ms are 49.7 days: behind them time goes on by as much as the board says."""
    clock = BoardClock(MS)
    before = clock.to_local_times([(2**32 - 4) * MS], START_NS)
    after = clock.to_local_times([6 * MS], START_NS + 10 * MS)
    assert after[0] - before[0] == 10 * MS


@given(
    board_ns=st.lists(st.integers(0, 10**30), min_size=1, max_size=20),
    unit_ns=st.sampled_from([1_000, MS, 1_000_000_000]),
)
def test_no_time_is_too_odd(board_ns: list[int], unit_ns: int):
    """Whatever a garbled line says, there is a stamp, and none lies ahead of arrival."""
    stamps = BoardClock(unit_ns).to_local_times(board_ns, START_NS)
    assert len(stamps) == len(board_ns)
    assert ((stamps >= 0) & (stamps <= START_NS)).all()


def test_a_garbled_time_spoils_no_later_one():
    """A number that no counter shows is no counter that started again."""
    clock = BoardClock(MS)
    clock.to_local_times([1000 * MS], START_NS)
    clock.to_local_times([10**27], START_NS + 10 * MS)
    for step in (2, 3, 4):
        arrived = START_NS + step * 10 * MS
        assert clock.to_local_times([(1000 + step * 10) * MS], arrived)[0] == arrived


def test_a_board_that_starts_again_is_met_anew():
    """Its clock is another: the arrival counts."""
    clock = BoardClock(MS)
    clock.to_local_times([90_000 * MS], START_NS)
    assert clock.to_local_times([5 * MS], START_NS + 1000 * MS)[0] == START_NS + 1000 * MS
