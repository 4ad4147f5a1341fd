"""What a simulated joint was made of comes out of its whole-degree readings."""

import math

import numpy as np
import pytest

from logger.heat.model import HeatModel, Parameter
from replay.heat.model import LoadScale, physical_parameters
from replay.heat.problem import HeatProblem
from replay.heat.search import find_mode
from replay.heat.trace import StatedAmbient
from tests.support.heat_joints import simulate_joint


def found_parameters(problem: HeatProblem):
    """Return the likeliest parameters by name, and the mode."""
    mode = find_mode(problem)
    return physical_parameters(
        problem.model, mode.outer[: problem.theta_count], problem.scale
    ), mode


def test_both_nodes_from_steps_with_a_recorded_room():
    """Housing and room in whole degrees: every parameter, the winding's to some per cent."""
    made = simulate_joint(0, pattern="steps", ambient=True)
    found, mode = found_parameters(HeatProblem(made.trace, HeatModel(nodes=2, standby=True)))
    assert mode.converged
    tolerance = {
        Parameter.HOUSING_RISE: 0.03,
        Parameter.HOUSING_TIME: 0.06,
        Parameter.WINDING_RISE: 0.25,
        Parameter.WINDING_TIME: 0.12,
        Parameter.STANDBY_RISE: 0.05,
    }
    for name, value in found.items():
        assert float(value) == pytest.approx(made.truth[name], rel=tolerance[name]), name
    # The noise before rounding comes out, and not what starts and drift leave of it.
    assert np.exp(mode.outer[5:]) == pytest.approx(0.15, abs=0.05)


def test_an_unknown_room_takes_the_standby_rise_along():
    """Without an ambient, time constant and rise per squared ampere are still known."""
    made = simulate_joint(1, pattern="random", ambient=False)
    found, _ = found_parameters(HeatProblem(made.trace, HeatModel(nodes=2, standby=False)))
    assert Parameter.STANDBY_RISE not in found
    assert float(found[Parameter.HOUSING_RISE]) == pytest.approx(
        made.truth["housing_rise"], rel=0.15
    )
    assert float(found[Parameter.HOUSING_TIME]) == pytest.approx(
        made.truth["housing_time"], rel=0.3
    )


def test_a_stated_room_gives_the_standby_rise():
    """An ambient that was typed in counts with its uncertainty."""
    made = simulate_joint(2, pattern="steps", ambient=False)
    room = float(made.ambient_degC.mean())
    problem = HeatProblem(
        made.trace,
        HeatModel(nodes=2, standby=True),
        ambient=StatedAmbient(degC=room, uncertainty_K=0.5),
    )
    found, _ = found_parameters(problem)
    assert float(found[Parameter.STANDBY_RISE]) == pytest.approx(
        made.truth["standby_rise"], abs=1.5
    )


def test_gradient_and_information_are_those_of_the_likelihood():
    """By differences of the log-posterior, at parameters that are not the best."""
    made = simulate_joint(4, pattern="random", winding=True, hours=0.5, gaps=0)
    problem = HeatProblem(made.trace, HeatModel(nodes=2, standby=True))
    mode = find_mode(problem)
    vector = np.concatenate([mode.outer, mode.unknowns])
    vector[: problem.outer_count] += 0.02
    found = problem.evaluate(vector, 0.7)
    assert found.log == pytest.approx(problem.log_likelihood(vector, 0.7), rel=1e-12)
    for index in range(len(vector)):
        step = np.zeros(len(vector))
        step[index] = 1e-5
        slope = (
            problem.log_likelihood(vector + step, 0.7) - problem.log_likelihood(vector - step, 0.7)
        ) / 2e-5
        assert found.gradient[index] == pytest.approx(slope, rel=1e-3, abs=0.05)


def test_wider_steps_keep_load_and_readings():
    """Joined steps have the same mean load and as many readings, each about where it was."""
    made = simulate_joint(6, pattern="random", winding=True, hours=0.5, step_s=5)
    wide = made.trace.coarser(6)
    model = HeatModel(nodes=2, standby=True)
    assert LoadScale.of(model, wide) == LoadScale.of(model, made.trace) or LoadScale.of(
        model, wide
    ).square == pytest.approx(LoadScale.of(model, made.trace).square)
    for fine, joined in zip(made.trace.sensors, wide.sensors, strict=True):
        assert joined.n.sum() == pytest.approx(fine.n.sum())
        assert joined.n @ joined.value_degC == pytest.approx(fine.n @ fine.value_degC)
        assert np.all((joined.fraction >= 0.0) & (joined.fraction <= 1.0))


@pytest.mark.parametrize(("seed", "slow_s"), [(61006, 1298.0), (62003, 1060.0)])
def test_a_cycle_does_not_end_on_the_hill_of_a_large_winding(seed, slow_s):
    """Means over half a minute hide the cycle, and the height of that hill is not its likelihood.

    There the winding stores four to seven times what its housing does.
    """
    trace = simulate_joint(seed, pattern="cyclic", ambient=False).trace
    problem = HeatProblem(trace, HeatModel(nodes=2, standby=False))
    found = dict(zip(problem.model.parameters, find_mode(problem).outer, strict=False))
    assert math.exp(found[Parameter.HOUSING_TIME]) == pytest.approx(slow_s, rel=0.1)
    assert math.exp(found[Parameter.WINDING_RISE]) < 1.0
