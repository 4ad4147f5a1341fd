"""Intervals that cover, over simulated joints whose truth is known; unknown where it is."""

import math

import numpy as np
import pytest

from logger.heat.model import HeatModel, Parameter
from replay.heat.intervals import TIMES_SD, interval_of
from replay.heat.problem import HeatProblem
from replay.heat.quantity import KNOWN_FACTOR, UNKNOWN_FACTOR, IntervalMethod
from replay.heat.search import find_mode
from tests.support.heat_joints import simulate_joint
from tests.support.heat_study import PATTERNS, Answer, answers, study


def coverage(found: list[Answer]) -> float:
    """Return which share of the intervals holds the truth."""
    return float(np.mean([one.holds for one in found]))


def test_a_profile_is_searched_to_its_end():
    """It goes about as far as the curvature says: the time constant is nearly Gaussian here.

    Where searches ended on the way their falls were taken for the profile's: a third of the width.
    """
    trace = simulate_joint(61006, pattern="cyclic", ambient=False, hours=1.0, gaps=1).trace
    problem = HeatProblem(trace, HeatModel(nodes=2, standby=False)).coarser(30.0)
    time_s = problem.model.parameters.index(Parameter.HOUSING_TIME)
    # A square has twice the width, so that it is profiled.
    sd, low, high, method = interval_of(
        problem, find_mode(problem), lambda outer: math.exp(2.0 * outer[time_s])
    )
    assert method is IntervalMethod.PROFILE
    assert 0.7 < math.log(high / low) / (2.0 * TIMES_SD * sd) < 1.4


@pytest.mark.slow
@pytest.mark.parametrize(("pattern", "ambient"), [("steps", True), ("random", False)])
def test_few_joints_are_covered(pattern, ambient):
    """Of some twenty intervals of four joints at most three miss: fewer cover once in a hundred."""
    found = study(range(200, 204), pattern=pattern, ambient=ambient)
    assert coverage(found) >= 1.0 - 3.0 / len(found)


@pytest.mark.slow
def test_one_steady_cycle_tells_no_rises():
    """One cycle all the time: rise and standby are not told apart; the slow time constant is."""
    found = {one.name: one for one in answers(10, pattern="cyclic", ambient=True)}
    for name in ("winding_rise", "standby_rise"):
        assert found[name].is_called_unknown, name
        assert found[name].method == IntervalMethod.PROFILE
    assert not found["housing_time"].is_called_unknown
    assert found["housing_time"].holds


@pytest.mark.study
@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("winding", [False, True])
@pytest.mark.parametrize("ambient", [False, True])
def test_hundred_joints_are_covered(pattern, winding, ambient):
    """95 % intervals of 100 joints hold the truth in 90 to 99 % of all quantities, pooled.

    What cannot be known (Cramer-Rao, the room's drift unknown) is called unknown, what can is not.
    """
    found = study(range(1000, 1100), pattern=pattern, winding=winding, ambient=ambient)
    assert len(found) >= 400
    assert 0.90 <= coverage(found) <= 0.995
    unknown = [one.is_called_unknown for one in found if one.bound_factor > UNKNOWN_FACTOR]
    known = [one.is_called_unknown for one in found if one.bound_factor < KNOWN_FACTOR]
    assert sum(unknown) >= 0.95 * len(unknown)
    assert sum(known) <= 0.05 * len(known)
