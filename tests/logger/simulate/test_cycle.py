import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.simulate.cycle import GROUP_CYCLES, STEP_S, cycle_trajectory, payloads_kg


@given(first=st.integers(0, 500), count=st.integers(1, 200), seed=st.integers(0, 2**31))
@settings(max_examples=50)
def test_payloads_belong_to_the_cycle(first, count, seed):
    """Any slice of the payloads is the same, in whatever stretch it is asked for."""
    whole = payloads_kg(0, first + count, seed=seed)
    assert np.array_equal(payloads_kg(first, count, seed=seed), whole[first:])


@pytest.mark.parametrize("seed", range(5))
def test_one_run_of_heavy_payloads_in_a_group(seed):
    """Heavier than a kilogram is a run of five to eight in 48 cycles, never at the very start."""
    for group in range(10):
        heavy = payloads_kg(group * GROUP_CYCLES, GROUP_CYCLES, seed=seed) > 1.0
        assert 5 <= heavy.sum() <= 8
        assert np.count_nonzero(np.diff(heavy.astype(int)) == 1) == 1
        assert not heavy[:4].any()


def test_speed_and_acceleration_belong_to_the_position():
    """The reference's speed and acceleration are the derivatives of its position."""
    ref = cycle_trajectory()
    speed = np.gradient(ref.position_rad, STEP_S, axis=0)
    acceleration = np.gradient(ref.speed_rad_s, STEP_S, axis=0)
    assert np.abs(speed - ref.speed_rad_s)[1:-1].max() < 1e-3
    assert np.abs(acceleration - ref.acceleration_rad_s2)[1:-1].max() < 0.05


def test_a_cycle_begins_and_ends_at_rest_in_one_pose():
    """Position and set-point of the last step are those of the first, and nothing moves."""
    ref = cycle_trajectory()
    assert ref.position_rad[-1] == pytest.approx(ref.position_rad[0])
    assert ref.setpoint_rad[-1] == pytest.approx(ref.setpoint_rad[0])
    assert np.all(ref.speed_rad_s[[0, -1]] == 0.0)
