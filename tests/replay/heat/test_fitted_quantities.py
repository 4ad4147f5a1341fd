"""What is told in numbers: the truth in the intervals, unknown only what the trace leaves open."""

import pytest

from replay.heat.one_load import is_one_load
from tests.support.heat_joints import simulate_joint
from tests.support.told_heat import told_answers


def test_an_unknown_winding_is_part_of_the_intervals():
    """A housing that tells nothing of its winding: what it bears is not that of one body.

    Fitted as one body this joint's rise came out as 0.23 to 0.33 K/A^2, where 0.38 is true.
    """
    told = {one.name: one for one in told_answers(5000, pattern="random", ambient=False)}
    assert not told["winding_rise"].is_known
    assert told["housing_rise"].truth == pytest.approx(0.383, abs=0.001)
    for name in ("housing_rise", "housing_time", "idle_temperature", "load_for_ever"):
        assert told[name].holds, name
    assert told["load_for_ever"].high < 1.1 * told["load_for_ever"].low


def test_one_cycle_all_the_time_tells_the_winding_between_two_sensors():
    """The heat that flows between winding and housing is known; of a housing alone it is not."""
    both = {one.name: one for one in told_answers(6000, pattern="cyclic", winding=True, hours=1.0)}
    assert both["winding_rise"].holds
    assert both["winding_time"].holds
    alone = {one.name: one for one in told_answers(6000, pattern="cyclic", hours=1.5)}
    assert not alone["housing_rise"].is_known
    assert alone["housing_time"].holds


@pytest.mark.parametrize("seed", [61006, 61023])
def test_a_cycle_of_a_minute_is_one_load(seed):
    """Where in a cycle a piece of ten minutes begins does not count, nor where gaps lie."""
    assert is_one_load(simulate_joint(seed, pattern="cyclic").trace)


@pytest.mark.parametrize("pattern", ["steps", "random"])
def test_loads_that_vary_from_minute_to_minute_are_not_one(pattern):
    """Nor are random holds of 4 s, the least uneven of them."""
    for seed in range(61000, 61004):
        assert not is_one_load(simulate_joint(seed, pattern=pattern).trace)
