"""Which level counts a cycle once: learned from courses that cross most levels several times."""

import numpy as np
import pytest

from logger.campaign.cycle_rule import CycleRule, find_rises, learn_rule
from tests.logger.campaign.pick_and_place import CYCLES, RATE_HZ, course, stamps

S = 1_000_000_000


def test_a_rise_is_from_below_to_above():
    """What lies between the two levels neither ends nor begins anything."""
    values = np.array([0.0, 5.0, 9.0, 5.0, 9.0, 1.0, 5.0, 8.0, 0.0])
    rises, side = find_rises(values, 2.0, 8.0)
    assert rises.tolist() == [2, 7]
    assert side == -1
    assert find_rises(values[:2], 2.0, 8.0) == (pytest.approx([]), -1)
    assert find_rises(np.array([9.0]), 2.0, 8.0, -1)[0].tolist() == [0]
    assert find_rises(np.array([9.0]), 2.0, 8.0, 0)[0].tolist() == []


@pytest.mark.parametrize("joint", ["one peak", "two peaks", "two steps"])
@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_each_cycle_is_counted_once(joint: str, noise: float):
    """Also where most levels are crossed twice in a cycle, and a reading is noisy."""
    values = course(joint) + noise * np.random.default_rng(5).normal(size=len(course(joint)))
    rule = learn_rule("torque_Nm", stamps(len(values)), values)
    assert rule is not None
    assert rule.typical_s == pytest.approx(4.0, rel=0.01)
    assert abs(len(find_rises(values, rule.low, rule.high)[0]) - CYCLES) <= 1


def test_nothing_is_learned_of_what_does_not_return():
    """Noise, a ramp, standstill, a hum of a joint that holds its position, too few cycles."""
    count = 20_000
    noise = np.random.default_rng(1).normal(size=count)
    time_s = np.arange(count) / RATE_HZ
    for name, values in {
        "noise": noise,
        "walk": np.cumsum(noise),
        "ramp": time_s,
        "rest": np.zeros(count),
        "hum": 0.001 * np.sin(time_s * 40.0),
    }.items():
        assert learn_rule("position_rad", stamps(count), values) is None, name
    few = course("two peaks")[: 4 * 4 * RATE_HZ]
    assert learn_rule("torque_Nm", stamps(len(few)), few) is None


def test_a_movement_beforehand_is_no_cycle():
    """Nor a rare one between."""
    before = np.concatenate([np.zeros(500), np.full(500, 30.0), np.zeros(500)])
    values = np.concatenate([before, course("one peak"), before, course("one peak")])
    rule = learn_rule("torque_Nm", stamps(len(values)), values)
    assert rule is not None
    assert rule.typical_s == pytest.approx(4.0, rel=0.01)
    assert rule.high < 10.0


def test_a_long_stop_does_not_hide_a_course():
    """Most of what is looked at is one value; what counts a cycle once lies near the extremes."""
    moving = course("two peaks", 10)
    values = np.concatenate([np.full(300_000 // 2, 6.0), moving])
    rule = learn_rule("torque_Nm", stamps(len(values)), values)
    assert rule is not None
    assert rule.typical_s == pytest.approx(4.0, rel=0.01)


def test_a_known_rule_is_kept_where_it_counts_as_many():
    """So that the phase of a cycle stays what it was."""
    values = course("one peak")
    known = CycleRule(channel="torque_Nm", low=1.0, high=2.0, typical_s=4.0)
    assert learn_rule("torque_Nm", stamps(len(values)), values, known=known) is known
    other = CycleRule(channel="torque_Nm", low=101.0, high=102.0, typical_s=4.0)
    assert learn_rule("torque_Nm", stamps(len(values)), values, known=other) is not other
