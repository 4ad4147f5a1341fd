"""Sensors that lag, against closed forms, fine steps, and poles that fall together."""

import math

import numpy as np
import pytest

from logger.joint.thermal.sensor_lag import lagged_response, sensed_temperatures
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, OneNode, step_response
from logger.joint.thermal.thermal_model import TwoNode, Winding

ROUND = TwoNode(
    winding_housing_K_per_W=0.8,
    winding_J_per_K=60.0,
    housing_ambient_K_per_W=2.2,
    housing_J_per_K=450.0,
)
JOINT = JointHeat(network=ROUND, winding=Winding(resistance_ohm=0.145), standby_W=3.0)
BODY = JointHeat(
    network=OneNode(resistance_K_per_W=2.0, J_per_K=150.0),
    winding=Winding(resistance_ohm=0.1, alpha_per_K=0.0),
)


def test_behind_one_body_two_time_constants_rise_as_in_the_closed_form():
    """10 W from 0 degC, 300 s and 40 s: 1 - (a exp(-t/a) - b exp(-t/b))/(a - b) of 20 K."""
    time_s, slow, fast = 97.0, 300.0, 40.0
    shown = sensed_temperatures(
        BODY,
        LoadSteps.at_rest([time_s], 100.0),
        start_degC=0.0,
        ambient_degC=0.0,
        lags_s={0: fast},
    )[-1, 1]
    late = slow * math.exp(-time_s / slow) - fast * math.exp(-time_s / fast)
    assert shown == pytest.approx(20.0 * (1.0 - late / (slow - fast)), rel=1e-12)


def test_a_lag_as_long_as_the_nodes_time_constant_has_its_closed_form():
    """Where both poles are one, 1 - (1 + t/tau) exp(-t/tau); just beside it the same."""
    for lag_s in (300.0, 300.0 * (1.0 + 1e-9), 300.0 * (1.0 - 1e-7)):
        shown = sensed_temperatures(
            BODY,
            LoadSteps.at_rest([97.0], 100.0),
            start_degC=0.0,
            ambient_degC=0.0,
            lags_s={0: lag_s},
        )[-1, 1]
        share = 97.0 / 300.0
        assert shown == pytest.approx(20.0 * (1.0 - (1.0 + share) * math.exp(-share)), rel=1e-6)


@pytest.mark.parametrize("square", [0.0, 400.0, 24.1857242**2, 1500.0])
def test_one_long_step_is_many_short_ones(square):
    """Both sensors lag; at rest, loaded, at the runaway current (a pole of 0) and beyond it."""
    lags = {0: 12.0, 1: 42.1326129}
    whole, parts = (
        sensed_temperatures(
            JOINT,
            LoadSteps.at_rest(np.full(count, 240.0 / count), square),
            start_degC=[50.0, 40.0],
            ambient_degC=22.0,
            lags_s=lags,
        )[-1]
        for count in (1, 4800)
    )
    assert whole == pytest.approx(parts, rel=1e-9)


def test_a_sensor_is_its_node_filtered():
    """Against nodes stepped finely and a filter over them; the nodes themselves are as without."""
    steps = LoadSteps.at_rest(np.full(6000, 0.05), np.repeat([0.0, 100.0, 25.0, 0.0], 1500))
    out = sensed_temperatures(
        JOINT, steps, start_degC=[25.0, 25.0], ambient_degC=25.0, lags_s={0: 15.0, 1: 30.0}
    )
    for node, state, lag_s in ((0, 2, 15.0), (1, 3, 30.0)):
        shown, keep = 25.0, math.exp(-0.05 / lag_s)
        for before, after in zip(out[:-1, node], out[1:, node], strict=True):
            shown = keep * shown + (1.0 - keep) * 0.5 * (before + after)
        assert out[-1, state] == pytest.approx(shown, abs=1e-3)
    assert out[-1, 2] != pytest.approx(out[-1, 0], abs=0.1)


def test_without_a_lag_a_step_is_that_of_the_nodes():
    """And a lag that is far shorter than the step shows the node."""
    steps = LoadSteps.at_rest([10.0, 1e6], [100.0, 100.0])
    own, none = step_response(JOINT, steps), lagged_response(JOINT, steps, {})
    assert np.array_equal(own.free, none.free)
    assert np.array_equal(own.forced, none.forced)
    short = sensed_temperatures(
        JOINT, steps, start_degC=[60.0, 40.0], ambient_degC=25.0, lags_s={0: 1e-3}
    )
    assert short[1:, 2] == pytest.approx(short[1:, 0], abs=1e-2)
