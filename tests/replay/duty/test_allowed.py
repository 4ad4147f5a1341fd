"""What windows are held against: the joint's own equations, and what a housing leaves unknown."""

from types import SimpleNamespace

import numpy as np
import pytest

from logger.joint.thermal.thermal_duty import time_to_temperature_s
from logger.joint.thermal.thermal_load import JointHeat, Node, OneNode
from logger.joint.thermal.thermal_model import TwoNode, Winding
from replay.duty.allowed import allowed_loads, tightest_window
from replay.duty.result import HeldAgainst
from replay.duty.rms_windows import WindowRms
from replay.heat.answers import WARM_SHARE, settled_starts

# The round set of a two-node network and its copper (see tests/logger/joint/test_thermal_model.py).
ROUND = TwoNode(
    winding_housing_K_per_W=0.8,
    winding_J_per_K=60.0,
    housing_ambient_K_per_W=2.2,
    housing_J_per_K=450.0,
)
COPPER = Winding(resistance_ohm=0.145)


def _fit(network, node, shortest_known_s=0.0):
    joint = JointHeat(network=network, winding=COPPER, standby_W=2.0)
    return SimpleNamespace(
        joints=(joint, joint, joint),
        node=node,
        idle_degC=25.0,
        load_factor=1.5,
        shortest_known_s=shortest_known_s,
    )


def _windows(**rms):
    return [
        WindowRms(window_s=int(name[1:]), rms=value, at_most=value, start_ns=0)
        for name, value in rms.items()
    ]


def test_a_window_is_held_for_as_long_as_it_lasts():
    """The load that is allowed for 1 min brings the winding to its limit in 1 min, from warm."""
    fit = _fit(ROUND, Node.WINDING)
    windows = _windows(w10=1.0, w60=1.0, w3600=1.0)
    found = allowed_loads(fit, windows, limit_degC=110.0)
    assert [one.window_s for one in found] == [10, 60, 3600]
    joint = fit.joints[0]
    for_ever = allowed_loads(fit, _windows(w28800=1.0), limit_degC=110.0)[0].load[0] / 1.5
    (start,) = settled_starts([joint], 25.0, (WARM_SHARE * for_ever) ** 2)
    for one in found:
        time_s = time_to_temperature_s(
            joint,
            node=Node.WINDING,
            limit_degC=110.0,
            mean_square_A2=(one.load[0] / 1.5) ** 2,
            start_degC=start,
            ambient_degC=25.0,
        )
        assert time_s == pytest.approx(one.window_s, rel=0.02)


def test_a_housing_tells_no_short_times():
    """Where the fit says that it is known: below, the winding decides, which is warmer."""
    network = OneNode(resistance_K_per_W=2.2, J_per_K=450.0)
    fit = _fit(network, Node.HOUSING, shortest_known_s=124.0)
    found = allowed_loads(fit, _windows(w60=1.0, w120=1.0, w150=1.0), limit_degC=80.0)
    assert [one.window_s for one in found] == [150]


def test_the_tightest_window():
    """The largest share, not the largest load; its interval turns round that of what is allowed."""
    fit = _fit(ROUND, Node.WINDING)
    windows = _windows(w10=30.0, w600=20.0, w3600=5.0)
    allowed = allowed_loads(fit, windows, limit_degC=110.0)
    shares = np.array([w.rms / a.load[0] for w, a in zip(windows, allowed, strict=True)])
    found = tightest_window(windows, allowed, rated=1.0)
    assert found.against is HeldAgainst.MODEL
    assert found.window is windows[int(np.argmax(shares))]
    assert found.share[0] == pytest.approx(shares.max())
    assert found.share[1] <= found.share[0] <= found.share[2]


def test_without_a_model_the_rated_value_counts_from_ten_minutes_on():
    """And without either there is none."""
    windows = _windows(w10=30.0, w600=6.0, w3600=5.0)
    found = tightest_window(windows, (), rated=10.0)
    assert (found.against, found.window.window_s) == (HeldAgainst.RATED, 600)
    assert found.share == pytest.approx((0.6, 0.6, 0.6))
    assert tightest_window(windows, (), rated=None) is None
    assert tightest_window((), (), rated=10.0) is None
