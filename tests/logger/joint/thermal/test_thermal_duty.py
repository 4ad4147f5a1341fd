"""What a joint bears, against closed forms and the figures of IEC 60034-1 duties."""
# ruff: noqa: N803 - units are written as units are: K, W and A are capitals

import math

import numpy as np
import pytest

from logger.joint.thermal.thermal_duty import (
    continuous_mean_square_A2,
    cyclic_mean_square_A2,
    cyclic_peak_degC,
    equilibrium_time_s,
    loop_gain,
    settled_degC,
    time_to_temperature_s,
)
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, OneNode, temperatures_over
from logger.joint.thermal.thermal_model import TwoNode, Winding

ROUND = TwoNode(
    winding_housing_K_per_W=0.8,
    winding_J_per_K=60.0,
    housing_ambient_K_per_W=2.2,
    housing_J_per_K=450.0,
)
BARE = JointHeat(network=ROUND, winding=Winding(resistance_ohm=0.145))
POWERED = JointHeat(network=ROUND, winding=Winding(resistance_ohm=0.145), standby_W=4.0)


def one_node(tau_s, *, alpha=0.0, standby_W=0.0):
    """Return a body of 1 K/A^2 with that time constant."""
    return JointHeat(
        network=OneNode(resistance_K_per_W=1.0, J_per_K=tau_s),
        winding=Winding(resistance_ohm=1.0, alpha_per_K=alpha),
        standby_W=standby_W,
    )


@pytest.mark.parametrize(
    ("current_A", "gain", "winding", "housing"),
    [
        (8.0, 0.109411200, 56.8744812, 48.3746196),
        (12.0, 0.246175200, 109.729072, 87.1346530),
        (20.0, 0.683820000, 586.133, None),
    ],
)
def test_settled_temperatures_with_feedback(current_A, gain, winding, housing):
    """The round set at 25 degC: published closed forms."""
    assert loop_gain(BARE, current_A**2) == pytest.approx(gain, rel=1e-9)
    found = settled_degC(BARE, mean_square_A2=current_A**2, ambient_degC=25.0)
    assert found[0] == pytest.approx(winding, rel=1e-6)
    if housing is not None:
        assert found[1] == pytest.approx(housing, rel=1e-8)


def test_no_steady_temperature_beyond_runaway():
    """24.1857242 A is where it ends; a load above settles nowhere, in cycles neither."""
    assert math.isfinite(settled_degC(BARE, mean_square_A2=24.18**2, ambient_degC=25.0)[0])
    assert math.isinf(settled_degC(BARE, mean_square_A2=24.19**2, ambient_degC=25.0)[0])
    peak = cyclic_peak_degC(BARE, mean_square_A2=1e4, on_s=500.0, off_s=1.0, ambient_degC=25.0)
    assert np.isinf(peak).all()


@pytest.mark.parametrize(("ambient", "expected_A"), [(25.0, 13.9734385), (40.0, 13.1425770)])
def test_continuous_current(ambient, expected_A):
    """To 155 degC of the winding."""
    found = continuous_mean_square_A2(
        BARE, node=Node.WINDING, limit_degC=155.0, ambient_degC=ambient
    )
    assert math.sqrt(found) == pytest.approx(expected_A, rel=1e-8)


@pytest.mark.parametrize("joint", [BARE, POWERED, one_node(900.0, alpha=0.004, standby_W=5.0)])
@pytest.mark.parametrize("node", [*Node])
def test_what_is_borne_for_ever_settles_at_the_limit(joint, node):
    """The load of S1 put through the steady state, and a very long step, gives the limit."""
    load = continuous_mean_square_A2(joint, node=node, limit_degC=80.0, ambient_degC=22.0)
    index = 1 if joint.nodes == 2 and node is Node.HOUSING else 0
    settled = settled_degC(joint, mean_square_A2=load, ambient_degC=22.0)
    assert settled[index] == pytest.approx(80.0, rel=1e-9)
    later = temperatures_over(
        joint, LoadSteps.at_rest([1e6], load), start_degC=22.0, ambient_degC=22.0
    )[-1]
    assert later == pytest.approx(settled, rel=1e-9)


def test_nothing_is_borne_where_standby_is_too_warm():
    """An ambient above the limit, or a standby rise beyond it, leaves no load."""
    for joint, ambient in ((BARE, 81.0), (one_node(900.0, standby_W=70.0), 20.0)):
        assert (
            continuous_mean_square_A2(
                joint, node=Node.HOUSING, limit_degC=80.0, ambient_degC=ambient
            )
            == 0.0
        )


def test_short_time_duty_factor():
    """S2 600 s at tau 1800 s: 3.52772647 times the loss of continuous duty."""
    joint = one_node(1800.0)
    for factor in (3.52772647, 2.0):
        found = time_to_temperature_s(
            joint,
            node=Node.HOUSING,
            limit_degC=70.0,
            mean_square_A2=50.0 * factor,
            start_degC=20.0,
            ambient_degC=20.0,
        )
        assert found == pytest.approx(-1800.0 * math.log(1.0 - 1.0 / factor), rel=1e-8)


def test_warm_is_shorter_than_cold_and_never_is_never():
    """From a warm plateau less time is left; a load that settles below never reaches the limit."""
    warm = settled_degC(BARE, mean_square_A2=64.0, ambient_degC=25.0)
    ask = {"node": Node.WINDING, "limit_degC": 110.0, "ambient_degC": 25.0}
    cold_s = time_to_temperature_s(BARE, mean_square_A2=400.0, start_degC=25.0, **ask)
    warm_s = time_to_temperature_s(BARE, mean_square_A2=400.0, start_degC=warm, **ask)
    assert 0.0 < warm_s < cold_s
    reached = temperatures_over(
        BARE, LoadSteps.at_rest([warm_s], 400.0), start_degC=warm, ambient_degC=25.0
    )[-1, 0]
    assert reached == pytest.approx(110.0, abs=1e-6)
    assert math.isinf(time_to_temperature_s(BARE, mean_square_A2=64.0, start_degC=25.0, **ask))
    assert time_to_temperature_s(BARE, mean_square_A2=1.0, start_degC=111.0, **ask) == 0.0


def test_intermittent_duty_of_one_body():
    """S3 4 s / 6 s at 40 s: the peak is 0.430212111 of what the load would settle at."""
    peak = cyclic_peak_degC(
        one_node(40.0), mean_square_A2=100.0, on_s=4.0, off_s=6.0, ambient_degC=20.0
    )
    assert peak[0] - 20.0 == pytest.approx(43.0212111, rel=1e-8)


@pytest.mark.parametrize("node", [*Node])
def test_the_load_of_a_cycle_peaks_at_the_limit(node):
    """Run for many cycles from cold, the load of S3 comes to the limit and not beyond."""
    load = cyclic_mean_square_A2(
        POWERED, node=node, limit_degC=90.0, on_s=120.0, off_s=240.0, ambient_degC=25.0
    )
    cycles = LoadSteps.at_rest(
        np.tile(np.full(36, 10.0), 60), np.tile([load] * 12 + [0.0] * 24, 60)
    )
    found = temperatures_over(POWERED, cycles, start_degC=25.0, ambient_degC=25.0)
    column = found[:, 0 if node is Node.WINDING else 1]
    assert column.max() == pytest.approx(90.0, abs=0.05)
    assert load > continuous_mean_square_A2(POWERED, node=node, limit_degC=90.0, ambient_degC=25.0)


@pytest.mark.parametrize(
    ("rise", "tau", "seconds"),
    [(60.0, 1200.0, 5399.77160), (45.0, 2400.0, 8445.55300), (80.0, 600.0, 3288.38335)],
)
def test_time_to_equilibrium(rise, tau, seconds):
    """Slope of 2 K/h, published; nothing to wait for where the slope is below already."""
    assert equilibrium_time_s(rise, tau) == pytest.approx(seconds, rel=1e-8)
    assert equilibrium_time_s(0.1, tau) == 0.0
