"""Joints nearby that warm this one: found with their share, and none where there is none."""

import numpy as np
import pytest

from logger.heat.model import HeatModel
from replay.heat.neighbours import find_neighbours
from replay.heat.problem import HeatProblem
from replay.heat.search import find_mode
from tests.support.heat_joints import simulate_joint


def found_beside(seed: int, share: float, *, pattern: str = "steps"):
    """Return what is found beside a joint whose room follows the first of two others by a share."""
    others = [
        simulate_joint(seed + more, pattern=pattern).temperatures[1:, 1] for more in (500, 800)
    ]
    warmer = share * (others[0] - others[0].mean())
    made = simulate_joint(seed, pattern=pattern, ambient=False, warmer_K=warmer)
    problem = HeatProblem(made.trace, HeatModel(nodes=2, standby=False))
    seconds = np.arange(len(warmer))
    courses = {
        name: np.interp(problem.knots.time_s, seconds, course)
        for name, course in zip(("near", "far"), others, strict=True)
    }
    return find_neighbours(problem, find_mode(problem), courses)


def test_a_joint_that_warms_this_one_is_named():
    """Its share lies in the interval; another that runs beside it is not named."""
    (found,) = found_beside(2, 0.2)
    assert found.joint == "near"
    _, low, high = found.K_per_K
    assert low <= 0.2 <= high


def test_joints_that_only_run_beside_it_are_not_named():
    """They are warm when it is warm, and that is all."""
    assert found_beside(2, 0.0) == ()


@pytest.mark.study
def test_many_joints():
    """The right one alone in most of twenty; of forty that have nothing to do with it, none."""
    shares = [found_beside(seed, 0.3) for seed in range(20)]
    assert sum([one.joint for one in found] == ["near"] for found in shares) >= 14
    held = [low <= 0.3 <= high for found in shares if found for _, low, high in [found[0].K_per_K]]
    assert np.mean(held) >= 0.85
    assert sum(bool(found_beside(seed, 0.0)) for seed in range(20)) <= 1
