"""Times and loads of many joints at once: those of one at a time, and each other's inverse."""

import math

import numpy as np
import pytest

from logger.joint.thermal.thermal_duty import (
    continuous_mean_square_A2,
    settled_degC,
    time_to_temperature_s,
)
from logger.joint.thermal.thermal_load import JointHeat, Node, OneNode
from logger.joint.thermal.thermal_model import TwoNode, Winding
from logger.joint.thermal.thermal_overload import held_loads_A2, held_times_s

WINDING = Winding(resistance_ohm=0.145)
AMBIENT = 30.0


def _joints(nodes: int, count: int = 12) -> list[JointHeat]:
    dice = np.random.default_rng(nodes)
    out = []
    for _ in range(count):
        rise, capacity, inner, small = dice.uniform(0.7, 1.4, 4)
        network = (
            OneNode(resistance_K_per_W=2.2 * rise, J_per_K=450.0 * capacity)
            if nodes == 1
            else TwoNode(
                winding_housing_K_per_W=0.8 * inner,
                winding_J_per_K=60.0 * small,
                housing_ambient_K_per_W=2.2 * rise,
                housing_J_per_K=450.0 * capacity,
            )
        )
        out.append(JointHeat(network=network, winding=WINDING, standby_W=float(dice.uniform(0, 5))))
    return out


def _starts(joints: list[JointHeat], square: float) -> np.ndarray:
    return np.array(
        [settled_degC(one, mean_square_A2=square, ambient_degC=AMBIENT) for one in joints]
    )


@pytest.mark.parametrize(
    ("nodes", "node", "limit"),
    [(1, Node.HOUSING, 80.0), (2, Node.WINDING, 110.0), (2, Node.HOUSING, 80.0)],
)
@pytest.mark.parametrize("before", [0.0, 25.0])
def test_times_are_those_of_each_joint(nodes: int, node: Node, limit: float, before: float):
    """Against the search that takes one joint and one load, which knows no shortcut."""
    joints, loads = _joints(nodes), np.geomspace(30.0, 3000.0, 9)
    starts = _starts(joints, before)
    found = held_times_s(
        joints,
        node=node,
        limit_degC=limit,
        ambient_degC=AMBIENT,
        mean_square_A2=loads,
        start_degC=starts,
    )
    assert found.shape == (len(joints), len(loads))
    for row, (joint, start) in enumerate(zip(joints, starts, strict=True)):
        for column, load in enumerate(loads):
            expected = time_to_temperature_s(
                joint,
                node=node,
                limit_degC=limit,
                mean_square_A2=float(load),
                start_degC=start,
                ambient_degC=AMBIENT,
            )
            assert found[row, column] == pytest.approx(expected, rel=1e-5)
    assert np.isinf(found).any()
    assert np.isfinite(found).any()


@pytest.mark.parametrize("nodes", [1, 2])
def test_loads_are_the_inverse(nodes: int):
    """The load for a time lasts that time; towards eight hours it is the one for ever."""
    joints, times = _joints(nodes), np.geomspace(5.0, 8 * 3600.0, 12)
    node = Node.HOUSING if nodes == 1 else Node.WINDING
    starts = _starts(joints, 10.0)
    loads = held_loads_A2(
        joints, node=node, limit_degC=100.0, ambient_degC=AMBIENT, time_s=times, start_degC=starts
    )
    assert (np.diff(loads, axis=1) < 0).all()
    for row, joint in enumerate(joints):
        again = held_times_s(
            [joint],
            node=node,
            limit_degC=100.0,
            ambient_degC=AMBIENT,
            mean_square_A2=loads[row, :8],
            start_degC=starts[row : row + 1],
        )
        assert again[0] == pytest.approx(times[:8], rel=1e-4)
        for_ever = continuous_mean_square_A2(
            joint, node=node, limit_degC=100.0, ambient_degC=AMBIENT
        )
        assert loads[row, -1] == pytest.approx(for_ever, rel=1e-3)


def test_one_node_without_feedback_is_the_closed_form():
    """T = tau ln(P R / (P R - rise)), IEC 60255-149 without preload, at 1 K for each A^2."""
    tau = 900.0
    joint = JointHeat(
        network=OneNode(resistance_K_per_W=1.0, J_per_K=tau),
        winding=Winding(resistance_ohm=1.0, alpha_per_K=0.0),
    )
    found = held_times_s(
        [joint],
        node=Node.HOUSING,
        limit_degC=90.0,
        ambient_degC=30.0,
        mean_square_A2=[59.0, 75.0, 120.0, 600.0],
        start_degC=np.array([[30.0]]),
    )
    expected = [math.inf, *(tau * math.log(load / (load - 60.0)) for load in (75.0, 120.0, 600.0))]
    assert found[0] == pytest.approx(expected, rel=1e-6)


def test_no_time_is_left():
    """At the limit already, and where standby alone is too much."""
    joint = JointHeat(
        network=OneNode(resistance_K_per_W=1.0, J_per_K=900.0), winding=WINDING, standby_W=100.0
    )
    where = {"node": Node.HOUSING, "limit_degC": 80.0, "ambient_degC": AMBIENT}
    start = np.array([[80.0]])
    assert held_times_s([joint], **where, mean_square_A2=[10.0], start_degC=start)[0, 0] == 0.0
    cold = np.array([[AMBIENT]])
    assert held_loads_A2([joint], **where, time_s=[60.0], start_degC=cold)[0, 0] == 0.0
