"""Readings as seconds: exact, and the same to the bit in any chunking."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.heat.seconds import SECOND_NS, SecondsMemory, add_heat_readings

LOADS = ("current_A", "speed_rad_s")
HOUSING = "temperature_housing_degC"
HOLD_NS = {"current_A": 350_000_000, "speed_rad_s": 2_100_000_000, HOUSING: SECOND_NS}


def _trace(seed: int, count: int) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    dice = np.random.default_rng(seed)
    gaps = dice.choice([20_000_000, 170_000_000, 330_000_001, 5 * SECOND_NS], count)
    time_ns = np.cumsum(gaps)
    out = {}
    for channel in (*LOADS, HOUSING):
        kept = dice.random(count) < 0.6
        out[channel] = (time_ns[kept], np.round(dice.normal(20.0, 9.0, kept.sum()), 2))
    return out


def _fed(trace, cuts, end_ns):
    memory, told = SecondsMemory(), []
    begin = -1
    for cut in [*sorted(cuts), end_ns]:
        part = {
            channel: (time_ns[rows], values[rows])
            for channel, (time_ns, values) in trace.items()
            if (rows := (time_ns > begin) & (time_ns <= cut)).any()
        }
        seconds, memory = add_heat_readings(
            memory, part, loads=LOADS, hold_ns=HOLD_NS, until_ns=cut
        )
        told += seconds
        begin = cut
    return told


@given(seed=st.integers(0, 2**20), cuts=st.lists(st.integers(0, 40 * SECOND_NS), max_size=12))
def test_any_chunking_gives_the_same_bits(seed, cuts):
    """Whole, and cut anywhere: the same seconds, to the bit."""
    trace, end_ns = _trace(seed, 60), 400 * SECOND_NS
    assert _fed(trace, cuts, end_ns) == _fed(trace, [], end_ns)


def test_a_second_is_what_was_held_in_it():
    """The mean square counts by time, a value holds no longer than its hold."""
    readings = {
        "current_A": (np.array([200_000_000, 500_000_000]), np.array([-3.0, 4.0])),
        HOUSING: (np.array([100_000_000, 900_000_000]), np.array([21.0, 22.5])),
    }
    (first,), _ = add_heat_readings(
        SecondsMemory(), readings, loads=LOADS, hold_ns=HOLD_NS, until_ns=2 * SECOND_NS
    )
    assert first.held_s["current_A"] == pytest.approx(0.65)
    assert first.mean_square["current_A"] == pytest.approx((0.3 * 9 + 0.35 * 16) / 0.65, rel=1e-6)
    assert first.mean_magnitude["current_A"] == pytest.approx((0.9 + 1.4) / 0.65, rel=1e-6)
    assert first.mean[HOUSING] == 21.75
    assert first.highest[HOUSING] == 22.5
    assert first.fine == {HOUSING}


def test_a_second_that_is_not_over_is_not_told():
    """It is told once a row lies behind it, with what held on from the one before."""
    memory = SecondsMemory()
    readings = {"speed_rad_s": (np.array([400_000_000]), np.array([2.0]))}
    told, memory = add_heat_readings(
        memory, readings, loads=LOADS, hold_ns=HOLD_NS, until_ns=400_000_000
    )
    assert told == []
    told, memory = add_heat_readings(
        memory, {}, loads=LOADS, hold_ns=HOLD_NS, until_ns=4 * SECOND_NS
    )
    assert [one.second for one in told] == [0, 1, 2]
    assert [round(one.held_s["speed_rad_s"], 6) for one in told] == [0.6, 1.0, 0.5]
