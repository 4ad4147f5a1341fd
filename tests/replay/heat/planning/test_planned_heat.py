"""Planned motions on joints that are known: hottest point, for ever or until when, in words."""

import json
import math
from dataclasses import replace
from types import SimpleNamespace

import pytest

from logger.heat.model import HeatModel
from logger.joint.thermal.thermal_duty import settled_degC, time_to_temperature_s
from logger.joint.thermal.thermal_load import JointHeat, Node
from logger.joint.thermal.thermal_model import TwoNode, Winding
from replay.heat.planning.motion_faults import MotionFault, MotionFaultKind
from replay.heat.planning.motion_table import motion_of_text
from replay.heat.planning.planned_heat import PlannedAssumption, Verdict, plan_heat
from replay.heat.planning.planned_words import planned_lines, planned_sentence
from replay.heat.result import Caution

# The round set of a two-node network and its copper (see tests/logger/joint/test_thermal_model.py).
ROUND = TwoNode(
    winding_housing_K_per_W=0.8,
    winding_J_per_K=60.0,
    housing_ambient_K_per_W=2.2,
    housing_J_per_K=450.0,
)


def _fit(spread=0.0, **more):
    """Return what a fit of known joints is: the likeliest, and draws whose resistance spreads."""
    joints = [
        JointHeat(
            network=replace(ROUND, housing_ambient_K_per_W=2.2 * (1.0 + spread * at / 20.0)),
            winding=Winding(resistance_ohm=0.145),
            standby_W=2.0,
        )
        for at in (0, *range(-20, 21))
    ]
    fit = {
        "joint": "a",
        "joints": tuple(joints),
        "node": Node.WINDING,
        "has_room": True,
        "is_load_known": True,
        "has_changed": False,
        "unknown": (),
        "torque_per_ampere": 1.5,
        "label": "a",
        "cautions": (Caution.THIS_MOUNTING,),
        "highest_rms_load": 8.0,
        "read": SimpleNamespace(load="current_A"),
        "problem": SimpleNamespace(model=HeatModel(nodes=2, standby=True)),
        **more,
    }
    return SimpleNamespace(**fit)


def _held(torque, seconds=60):
    text = f"time_s,torque_Nm\n0,{torque}\n{seconds},0\n"
    return motion_of_text(text, name="plan.csv", where="plan.csv")


def _planned(torque, *, fit=None, **more):
    asked = {"limit_degC": 110.0, "ambient_degC": 25.0, **more}
    return plan_heat(fit or _fit(), _held(torque), **asked)


def test_a_held_load_is_the_one_of_the_equations():
    """12 N.m at 1.5 N.m/A are 8 A: it settles where 8 A settle, and 18 N.m last as long."""
    joint = _fit().joints[0]
    planned = _planned(12.0)
    expected = settled_degC(joint, mean_square_A2=64.0, ambient_degC=25.0)[0]
    assert planned.hottest_degC == pytest.approx((expected,) * 3)
    assert planned.margin_K[0] == pytest.approx(110.0 - expected)
    assert planned.verdict is Verdict.HOLDS
    assert all(math.isinf(one) for one in planned.first_over_s)
    assert "it can go on" in planned_sentence(planned)
    warm = _planned(24.0)
    time_s = time_to_temperature_s(
        joint,
        node=Node.WINDING,
        limit_degC=110.0,
        mean_square_A2=256.0,
        start_degC=settled_degC(joint, mean_square_A2=0.0, ambient_degC=25.0),
        ambient_degC=25.0,
    )
    assert warm.verdict is Verdict.TOO_WARM
    assert warm.first_over_s[0] == pytest.approx(time_s, rel=2e-3)
    assert "is reached after" in planned_sentence(warm)


def test_once_or_often_is_not_for_ever():
    """What is too warm for ever can be done once; the last pass is the warmest."""
    once, often, ever = (_planned(24.0, passes=one) for one in (1, 5, None))
    assert once.verdict is Verdict.HOLDS
    assert once.hottest_degC[0] < often.hottest_degC[0] < ever.hottest_degC[0]
    assert "once" in planned_sentence(once)
    assert "it can be done" in planned_sentence(once)
    assert all(math.isinf(one) for one in once.first_over_s)


def test_factor_and_stretch():
    """12 N.m times two are 24; a slower pass of one held load changes nothing for ever."""
    assert _planned(12.0, factor=2.0).hottest_degC == pytest.approx(_planned(24.0).hottest_degC)
    slow = _planned(12.0, stretch=3.0)
    assert slow.lasts_s == 180.0
    assert slow.hottest_degC == pytest.approx(_planned(12.0).hottest_degC)


def test_what_the_trace_leaves_open_is_not_decided():
    """Half of the draws are over the limit: not known well enough, and the earliest instant."""
    fit = _fit(spread=0.2)
    middle = _planned(16.0, fit=fit).hottest_degC
    assert middle[1] < middle[0] < middle[2]
    planned = _planned(16.0, fit=fit, limit_degC=middle[0] + 0.5)
    assert planned.verdict is Verdict.NOT_SURE
    assert 0.3 < planned.holds_share < 0.7
    assert math.isinf(planned.first_over_s[2])
    assert "not known well enough" in planned_sentence(planned)
    assert json.loads(json.dumps(planned.to_json(), allow_nan=False))["first_over_s"][2] is None


def test_beyond_runaway_it_never_settles():
    """40 A: no number for where it gets to."""
    planned = _planned(60.0)
    assert planned.verdict is Verdict.TOO_WARM
    assert "never settles" in planned_sentence(planned)
    assert planned.to_json()["hottest_degC"] == [None, None, None]


@pytest.mark.parametrize(
    ("changed", "kind"),
    [
        ({"torque_per_ampere": None}, MotionFaultKind.NO_CONSTANT),
        ({"is_load_known": False}, MotionFaultKind.LOAD_NOT_KNOWN),
    ],
)
def test_what_cannot_be_run_is_refused(changed, kind):
    """A torque without its constant; a joint of which nothing is known."""
    with pytest.raises(MotionFault) as fault:
        _planned(12.0, fit=_fit(**changed))
    assert fault.value.kind is kind
    assert "\n" not in str(fault.value)


def test_a_load_of_another_unit_is_refused():
    """12 N.m as 12,000: no trace of 8 A tells what 8,000 A would warm a joint by."""
    with pytest.raises(MotionFault, match="1e\\+03 times the highest") as raised:
        _planned(12_000.0)
    assert raised.value.kind is MotionFaultKind.LOAD_FAR_OFF
    assert "N.m or A" in str(raised.value)


def test_what_is_assumed_is_told():
    """A room that was not recorded; no loss by speed in the recordings; cautions."""
    planned = _planned(12.0, fit=_fit(has_room=False))
    assert PlannedAssumption.IDLE_AS_AMBIENT in planned.assumptions
    assert PlannedAssumption.NO_SPEED_LOSS in planned.assumptions
    assert "where it is at 25 °C without load" in planned_sentence(planned)
    lines = list(planned_lines(planned))
    assert any("this mounting" in line for line in lines)
    assert any("12 N·m at most" in line for line in lines)
