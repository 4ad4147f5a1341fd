"""The programme for a new joint."""

from replay.measure.plan import PLAN_ORDER, plan_steps
from replay.measure.procedures.by_name import KIND_NAMES, PROCEDURES


def test_every_kind_has_its_place_cautions_and_steps():
    """Nothing is measured that the programme does not know, and each begins with its cautions."""
    assert sorted(PLAN_ORDER) == sorted(KIND_NAMES)
    for procedure in PROCEDURES.values():
        assert procedure.cautions
        assert procedure.steps


def test_levels_follow_from_rated_values():
    """24 N.m at 2 N.m/A: eight levels up to 12 A, lost motion at 0.72 N.m."""
    steps = {
        one.procedure.name: one
        for one in plan_steps(
            rated_torque_Nm=24.0, per_ampere=2.0, answered=frozenset({"backlash"})
        )
    }
    assert "up to 12 A" in steps["torque"].levels
    assert "0.72 N.m" in steps["backlash"].levels
    assert steps["backlash"].is_answered
    assert not steps["torque"].is_answered
    assert not any(one.levels for one in plan_steps())
