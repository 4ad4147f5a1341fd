"""A joint under load, against closed forms, published sets and the network it is made of."""
# ruff: noqa: N806 - units are written as units are: K, W and A are capitals

from dataclasses import replace

import numpy as np
import pytest

from logger.joint.thermal.thermal_load import (
    JointHeat,
    LoadSteps,
    Node,
    OneNode,
    temperatures_over,
)
from logger.joint.thermal.thermal_model import TwoNode, Winding, temperatures_after

ROUND = TwoNode(
    winding_housing_K_per_W=0.8,
    winding_J_per_K=60.0,
    housing_ambient_K_per_W=2.2,
    housing_J_per_K=450.0,
)
COPPER = Winding(resistance_ohm=0.145)
NO_FEEDBACK = Winding(resistance_ohm=0.1, alpha_per_K=0.0)


def steps_of(durations, squares, speeds=0.0):
    """Return steps of those durations and mean squares, at one speed."""
    at_rest = LoadSteps.at_rest(durations, squares)
    speed = np.full(at_rest.duration_s.shape, float(speeds))
    return replace(at_rest, mean_speed_rad_s=speed, mean_square_speed_rad2_s2=speed**2)


def test_two_nodes_follow_the_closed_form_of_ten_watts():
    """10 W from ambient: the published rises at 10, 60, 600 and 3600 s."""
    joint = JointHeat(network=ROUND, winding=NO_FEEDBACK)
    found = temperatures_over(
        joint, steps_of([10, 50, 540, 3000], 100.0), start_degC=25.0, ambient_degC=25.0
    )
    expected = [
        (1.50594579, 0.0213560879),
        (5.89126845, 0.535788516),
        (15.9780038, 8.57475904),
        (29.0190759, 21.0608223),
    ]
    assert found[1:] - 25.0 == pytest.approx(np.array(expected), rel=1e-8)


def test_feedback_is_that_of_the_network():
    """12 A with warm copper: 63.0346853 and 45.0823267 degC after 600 s, however it is cut."""
    joint = JointHeat(network=ROUND, winding=COPPER)
    for durations in ([600.0], [1.0, 99.0, 500.0]):
        end = temperatures_over(
            joint, steps_of(durations, 144.0), start_degC=25.0, ambient_degC=25.0
        )[-1]
        assert end == pytest.approx([63.0346853, 45.0823267], rel=1e-8)


def test_runaway_grows_and_stays_exact():
    """Beyond 24.19 A the winding outgrows every bound; exactly at it the pole is zero."""
    joint = JointHeat(network=ROUND, winding=COPPER)
    end = temperatures_over(
        joint, steps_of([2000.0] * 3, 30.0**2), start_degC=25.0, ambient_degC=25.0
    )[:, 0]
    assert np.all(np.diff(end, 2) > 0)
    one = JointHeat(
        network=OneNode(resistance_K_per_W=2.0, J_per_K=100.0),
        winding=Winding(resistance_ohm=0.5, alpha_per_K=0.01, reference_degC=20.0),
    )
    straight = temperatures_over(one, steps_of([10, 10], 100.0), start_degC=20, ambient_degC=20)
    assert np.diff(straight[:, 0]) == pytest.approx([5.0, 5.0], rel=1e-12)


def test_one_node_is_the_exponential():
    """C dT/dt = P - (T - Ta)/R from any start, standby included."""
    joint = JointHeat(
        network=OneNode(resistance_K_per_W=2.0, J_per_K=300.0),
        winding=NO_FEEDBACK,
        standby_W=4.0,
    )
    found = temperatures_over(joint, steps_of([600.0], 50.0), start_degC=40.0, ambient_degC=20.0)
    settled = 20.0 + 2.0 * (5.0 + 4.0)
    assert found[1, 0] == pytest.approx(settled + (40.0 - settled) * np.exp(-1.0), rel=1e-12)


def test_humanoid_leg_with_one_node():
    """DT = (3e-5 tau^2 - 1e-3 (T - Ta)) dt: 135.356509 K after 600 s at 100 N.m (published)."""
    joint = JointHeat(
        network=OneNode(resistance_K_per_W=0.03, J_per_K=1e3 / 0.03),
        winding=Winding(resistance_ohm=1.0, alpha_per_K=0.0),
    )
    found = temperatures_over(joint, steps_of([600.0], 1e4), start_degC=30.0, ambient_degC=30.0)
    assert found[1, 0] - 30.0 == pytest.approx(135.356509, rel=1e-8)


@pytest.mark.parametrize("node", [*Node])
def test_standby_and_speed_arise_where_they_are_said_to(node):
    """Their heat passes both resistances from the winding, and one from the housing."""
    joint = JointHeat(
        network=ROUND,
        winding=NO_FEEDBACK,
        standby_W=3.0,
        speed_W_s_per_rad=0.5,
        speed_W_s2_per_rad2=0.25,
        loss_node=node,
    )
    end = temperatures_over(joint, steps_of([1e6], 0.0, speeds=2.0), start_degC=20, ambient_degC=20)
    loss_W = 3.0 + 1.0 + 1.0
    winding_K = loss_W * (3.0 if node is Node.WINDING else 2.2)
    assert end[-1] - 20.0 == pytest.approx([winding_K, loss_W * 2.2], rel=1e-9)


def test_steps_share_the_equations_of_the_network():
    """Any current, start and ambient: the same as the network's own exact answer."""
    joint = JointHeat(network=ROUND, winding=COPPER)
    end = temperatures_over(
        joint, steps_of([77.0], 81.0), start_degC=[60.0, 35.0], ambient_degC=18.0
    )[-1]
    winding, housing = temperatures_after(
        ROUND,
        COPPER,
        current_A=9.0,
        ambient_degC=18.0,
        winding_degC=60.0,
        housing_degC=35.0,
        duration_s=77.0,
    )
    assert end == pytest.approx([float(winding), float(housing)], rel=1e-12)
