"""A repeated motion against the same steps one after the other, and against the S3 closed form."""

import math

import numpy as np
import pytest

from logger.joint.thermal.thermal_duty import cyclic_peak_degC, settled_degC
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, OneNode, temperatures_over
from logger.joint.thermal.thermal_model import TwoNode, Winding
from logger.joint.thermal.thermal_motion import RepeatedMotion

# The round set of a two-node network and its copper (see test_thermal_model.py).
ROUND = TwoNode(
    winding_housing_K_per_W=0.8,
    winding_J_per_K=60.0,
    housing_ambient_K_per_W=2.2,
    housing_J_per_K=450.0,
)
COPPER = Winding(resistance_ohm=0.145)
AMBIENT = 25.0


def _joint(network=ROUND, **more):
    return JointHeat(network=network, winding=COPPER, standby_W=2.0, **more)


def _cold(joint):
    return settled_degC(joint, mean_square_A2=0.0, ambient_degC=AMBIENT)[None, :]


def _motion(joint, steps, node=Node.WINDING):
    return RepeatedMotion([joint], steps, node=node, ambient_degC=AMBIENT)


def _steps(seed, n=40):
    dice = np.random.default_rng(seed)
    return LoadSteps(
        duration_s=dice.uniform(0.5, 8.0, n),
        mean_square_A2=np.square(dice.uniform(0.0, 16.0, n)),
        mean_speed_rad_s=dice.uniform(0.0, 3.0, n),
        mean_square_speed_rad2_s2=dice.uniform(0.0, 9.0, n),
    )


@pytest.mark.parametrize("node", list(Node))
@pytest.mark.parametrize(
    "joint",
    [_joint(), _joint(speed_W_s_per_rad=1.5), _joint(OneNode(resistance_K_per_W=2.2, J_per_K=450))],
)
def test_many_passes_are_the_steps_one_after_the_other(joint, node):
    """Starts, peaks and the settled pass, on the same joint stepped plainly."""
    steps, passes = _steps(3), 60
    motion, start = _motion(joint, steps, node), _cold(joint)
    whole = LoadSteps(
        **{
            name: np.tile(getattr(steps, name), passes)
            for name in ("duration_s", "mean_square_A2", "mean_speed_rad_s")
        },
        mean_square_speed_rad2_s2=np.tile(steps.mean_square_speed_rad2_s2, passes),
    )
    plain = temperatures_over(joint, whole, start_degC=start[0], ambient_degC=AMBIENT)
    index = 1 if joint.nodes == 2 and node is Node.HOUSING else 0
    n = len(steps.duration_s)
    for number in (0, 1, 7, 59):
        assert motion.start_of_pass(number, start)[0] == pytest.approx(plain[number * n])
        peak = plain[number * n : number * n + n + 1, index].max()
        assert motion.hottest_degC(motion.start_of_pass(number, start)) == pytest.approx(peak)
    settled = motion.settled_degC()
    assert motion.start_of_pass(1, settled) == pytest.approx(settled)
    assert motion.start_of_pass(1000, start) == pytest.approx(settled, abs=1e-6)
    # The first instant over any temperature that is reached.
    limit = float(np.quantile(plain[:, index], 0.9))
    at = int(np.argmax(plain[:, index] >= limit))
    times = np.append(0.0, np.cumsum(whole.duration_s))
    found = float(motion.first_over_s(limit, start)[0])
    assert times[at - 1] <= found <= times[at]


def test_a_settled_duty_has_the_peak_of_its_closed_form():
    """S3, 240 s of 12 A and 360 s of rest, fine steps: the same peaks as `cyclic_peak_degC`."""
    joint = _joint()
    steps = LoadSteps.at_rest(np.full(600, 1.0), np.where(np.arange(600) < 240, 144.0, 0.0))
    peaks = cyclic_peak_degC(
        joint, mean_square_A2=144.0, on_s=240.0, off_s=360.0, ambient_degC=AMBIENT
    )
    for node, peak in zip((Node.WINDING, Node.HOUSING), peaks, strict=True):
        motion = _motion(joint, steps, node)
        assert motion.hottest_degC(motion.settled_degC())[0] == pytest.approx(peak, abs=0.01)


def test_what_stays_below_is_never_over():
    """A hair below and above the settled peak."""
    joint, steps = _joint(), _steps(5)
    motion, start = _motion(joint, steps), _cold(joint)
    peak = float(motion.hottest_degC(motion.settled_degC())[0])
    assert math.isinf(motion.first_over_s(peak + 1e-3, start)[0])
    late = float(motion.first_over_s(peak - 0.01, start)[0])
    assert 4000.0 < late < 50_000.0
    assert float(motion.first_over_s(start[0, 0] - 5.0, start)[0]) == 0.0


def test_beyond_runaway_it_never_settles():
    """30 A all the time (runaway is at 24.2 A): no steady state, and yet a first minute."""
    joint = _joint()
    motion = _motion(joint, LoadSteps.at_rest(np.full(30, 1.0), 900.0))
    assert np.isinf(motion.settled_degC()).all()
    assert np.isinf(motion.hottest_degC(motion.settled_degC())).all()
    first = float(motion.first_over_s(155.0, _cold(joint))[0])
    plain = temperatures_over(
        joint,
        LoadSteps.at_rest(np.full(600, 1.0), 900.0),
        start_degC=_cold(joint)[0],
        ambient_degC=AMBIENT,
    )
    assert first == pytest.approx(int(np.argmax(plain[:, 0] >= 155.0)), abs=1.0)


def test_each_joint_has_its_own_answer():
    """Two joints at once are each of them alone."""
    joints, steps = [_joint(), _joint(speed_W_s_per_rad=3.0)], _steps(8)
    start = np.concatenate([_cold(one) for one in joints])
    both = RepeatedMotion(joints, steps, node=Node.WINDING, ambient_degC=AMBIENT)
    limit = float(both.hottest_degC(both.settled_degC()).min()) - 2.0
    for at, joint in enumerate(joints):
        alone = _motion(joint, steps)
        assert both.settled_degC()[at] == pytest.approx(alone.settled_degC()[0])
        assert both.first_over_s(limit, start)[at] == pytest.approx(
            alone.first_over_s(limit, start[at : at + 1])[0]
        )
