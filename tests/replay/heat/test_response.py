"""The banded solve is the loop over steps; drift and knots are what their formulas say."""

from dataclasses import replace

import numpy as np
import pytest

from logger.heat.model import HeatModel, heat_joint
from logger.joint.thermal.thermal_load import step_response, temperatures_over
from replay.heat.drift import DRIFT_TIME_S, drift_knots, drift_precision
from replay.heat.model import LoadScale, physical_parameters
from replay.heat.response import Edges, linear_response, temperatures_for
from tests.support.heat_joints import simulate_joint

THETA = np.log([30.0, 1200.0, 0.12, 50.0, 0.3])


@pytest.mark.parametrize("nodes", [1, 2])
def test_the_solve_is_the_loop(nodes):
    """Segment by segment, the same temperatures as stepping through them."""
    trace = simulate_joint(3, pattern="random", hours=1.0).trace
    model = HeatModel(nodes=nodes, standby=True)
    theta = THETA if nodes == 2 else THETA[[0, 1, 4]]
    joint = heat_joint(model, physical_parameters(model, theta, LoadScale.of(model, trace)))
    edges, knots = Edges.of(trace), drift_knots(trace)
    dice = np.random.default_rng(1)
    starts = dice.uniform(20.0, 40.0, trace.segments * nodes)
    unknowns = np.concatenate([starts, [22.0], dice.normal(0.0, 0.5, len(knots.time_s))])
    response = step_response(joint, trace.steps)
    found = temperatures_for(response, edges, knots, unknowns)
    base, design = linear_response(response, edges, knots)
    assert base + design @ unknowns == pytest.approx(found, abs=1e-9)
    ambient = 22.0 + knots.at_steps @ unknowns[len(starts) + 1 :]
    for number in range(trace.segments):
        rows = trace.segment == number
        steps = type(trace.steps)(
            **{name: getattr(trace.steps, name)[rows] for name in trace.steps.__slots__}
        )
        loop = temperatures_over(
            joint,
            steps,
            start_degC=starts[number * nodes : (number + 1) * nodes],
            ambient_degC=ambient[rows],
        )
        first = edges.starts[number]
        assert found[first : first + len(loop)] == pytest.approx(loop, abs=1e-9)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # beyond all numbers, as it should be
@pytest.mark.parametrize("growth", [1e20, 1e200, np.inf])
def test_a_joint_that_runs_away_has_no_temperatures(growth):
    """A search may try one whose copper feeds back without end: no number, and no fault."""
    trace = simulate_joint(3, pattern="random", hours=1.0).trace
    model = HeatModel(nodes=2, standby=True)
    joint = heat_joint(model, physical_parameters(model, THETA, LoadScale.of(model, trace)))
    edges, knots = Edges.of(trace), drift_knots(trace)
    unknowns = np.full(trace.segments * 2 + 1 + len(knots.time_s), 20.0)
    response = step_response(joint, trace.steps)
    found = temperatures_for(replace(response, free=response.free * growth), edges, knots, unknowns)
    assert not np.isfinite(found).all()
    assert found[0] == pytest.approx(20.0)


def test_knots_carry_every_step_and_bridge_no_gap():
    """Shares of a step sum to one, and come from knots of its own segment."""
    trace = simulate_joint(5, pattern="steps", hours=1.0).trace
    knots = drift_knots(trace)
    assert knots.at_steps.sum(axis=1) == pytest.approx(1.0)
    assert trace.segments > 1
    for number in range(trace.segments):
        rows = trace.segment == number
        middle = (trace.begin_s + trace.steps.duration_s / 2)[rows]
        used = knots.time_s[knots.at_steps[rows].any(axis=0)]
        assert middle[0] <= used.min() <= used.max() <= middle[-1]
        # Straight between knots: the time itself comes out again.
        assert knots.at_steps[rows] @ knots.time_s == pytest.approx(middle, abs=1e-6)


def test_drift_of_recordings_years_apart_is_forgotten():
    """The share that is kept is zero in floating point: what is left is two rooms, and finite."""
    with np.errstate(all="raise", under="ignore"):
        precision, log_determinant = drift_precision(np.array([0.0, 1.2e8]), 0.7)
    assert precision == pytest.approx(np.eye(2) / 0.49)
    assert log_determinant == pytest.approx(-2.0 * np.log(0.49))


def test_drift_precision_is_the_inverse_of_its_covariance():
    """size^2 exp(-dt / 2 h), at uneven knots."""
    time_s = np.array([0.0, 300.0, 700.0, 9000.0])
    covariance = 0.49 * np.exp(-np.abs(time_s[:, None] - time_s) / DRIFT_TIME_S)
    precision, log_determinant = drift_precision(time_s, 0.7)
    assert precision == pytest.approx(np.linalg.inv(covariance), rel=1e-9, abs=1e-9)
    assert log_determinant == pytest.approx(np.linalg.slogdet(precision)[1])
