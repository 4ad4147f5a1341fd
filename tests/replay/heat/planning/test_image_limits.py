"""Images protect: under any load none of them is full before the node is at its limit."""

import numpy as np
import pytest

from logger.joint.thermal.thermal_duty import continuous_mean_square_A2, settled_degC
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, OneNode, temperatures_over
from logger.joint.thermal.thermal_model import TwoNode, Winding
from replay.heat.planning.image_limits import (
    SLOW_LOAD_SHARE,
    image_weights,
    protecting_images,
)

# Parameter sets and coefficients P A1, P A2 at 10 W: closed form, checked outside this project
# against a stiff solver; robot A's set is read from an open robot's own test.
SETS = {
    "round": ((0.8, 60.0, 2.2, 450.0), (-23.8695695, -6.13043054)),
    "small": ((2.0, 10.0, 5.0, 100.0), (-53.6413283, -16.3586717)),
    "robot A": ((1.93, 21.5544041, 4.65, 240.860215), (-49.6820210, -16.1179790)),
}
LIMIT, AMBIENT = 110.0, 40.0


def _network(name):
    r1, c1, r2, c2 = SETS[name][0]
    return TwoNode(
        winding_housing_K_per_W=r1,
        winding_J_per_K=c1,
        housing_ambient_K_per_W=r2,
        housing_J_per_K=c2,
    )


def _loads(seed, seconds, most):
    """Return a load of any kind for each second: random holds, pulses, cycles, ramps."""
    dice = np.random.default_rng(seed)
    holds = np.repeat(dice.uniform(0, most, 400), dice.integers(1, 400, 400))[:seconds]
    cycle = np.tile(
        np.concatenate([np.full(dice.integers(5, 300), most), np.zeros(dice.integers(5, 600))]), 800
    )[:seconds]
    ramp = np.linspace(0, most, seconds)
    return [holds, cycle, ramp, np.full(seconds, most)][seed % 4]


@pytest.mark.parametrize("name", list(SETS))
def test_weights_are_those_of_the_closed_form(name):
    """A1 and A2 against the whole rise, which they add up to."""
    network, (slow, fast) = _network(name), SETS[name][1]
    whole = 10.0 * network.resistance_K_per_W
    assert image_weights(network) == pytest.approx((-slow / whole, -fast / whole), rel=1e-7)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(
    ("network", "node"),
    [
        (OneNode(resistance_K_per_W=2.2, J_per_K=450.0), Node.HOUSING),
        (_network("round"), Node.WINDING),
        (_network("small"), Node.WINDING),
        (_network("robot A"), Node.HOUSING),
    ],
)
def test_no_load_gets_past_them(network, node, seed):
    """Up to the first instant at which an image is full, the node is below its limit.

    With copper's feedback and standby; images stepped exactly. A load that never fills one never
    brings the node to its limit either.
    """
    joint = JointHeat(network=network, winding=Winding(resistance_ohm=0.145), standby_W=2.0)
    square = continuous_mean_square_A2(joint, node=node, limit_degC=LIMIT, ambient_degC=AMBIENT)
    images = protecting_images(joint, node=node, load_for_ever=float(np.sqrt(square)))
    load = _loads(seed, 9000, 2.5 * np.sqrt(square))
    full = np.zeros(len(load), bool)
    for image in images:
        keep = np.exp(-1.0 / image.time_constant_s)
        level = 0.0
        for at, one in enumerate((load / image.carried) ** 2):
            level = keep * level + (1.0 - keep) * one
            full[at] |= level >= 1.0
    until = int(np.argmax(full)) if full.any() else len(load)
    start = settled_degC(joint, mean_square_A2=0.0, ambient_degC=AMBIENT)
    course = temperatures_over(
        joint,
        LoadSteps.at_rest(np.ones(len(load)), load**2),
        start_degC=start,
        ambient_degC=AMBIENT,
    )
    index = 1 if joint.nodes == 2 and node is Node.HOUSING else 0
    assert course[: until + 1, index].max() < LIMIT + 1e-6


def test_they_do_not_guard_more_than_they_have_to():
    """One node: full exactly at the limit but for the copper. A winding: a tenth given up."""
    joint = JointHeat(
        network=OneNode(resistance_K_per_W=2.2, J_per_K=450.0), winding=Winding(resistance_ohm=0.1)
    )
    (image,) = protecting_images(joint, node=Node.HOUSING, load_for_ever=10.0)
    assert (image.carried, image.time_constant_s) == (10.0, pytest.approx(990.0))
    two = JointHeat(network=_network("round"), winding=Winding(resistance_ohm=0.1))
    slow, fast = protecting_images(two, node=Node.WINDING, load_for_ever=10.0)
    assert slow.carried == pytest.approx(10.0 * SLOW_LOAD_SHARE)
    assert slow.time_constant_s == pytest.approx(1127.86739)
    assert fast.time_constant_s == pytest.approx(42.1326129)
    assert fast.carried > 12.0
