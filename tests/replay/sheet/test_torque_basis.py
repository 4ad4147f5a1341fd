"""A torque that was made from current is judged by the torque per ampere that was measured."""

import math
from dataclasses import replace

import pytest

from logger.findings.finding import TORQUE_CONSTANT, torque_basis_of
from replay.sheet.comparison import compare_specimens
from replay.sheet.conditions import ConditionFault
from replay.sheet.sheet import make_sheet, measured_of
from replay.sheet.verdict import Verdict
from replay.sheet.words import reason_text
from tests.support.sheet_findings import sourced
from tests.support.specimens import specimen_of

CLAIM = "peak_torque_Nm = 19.0"


def _peak(value: float = 19.19, *, stored: float | None = 1.62, own: float = 0.19, number: int = 1):
    conditions = {} if stored is None else {TORQUE_CONSTANT: stored}
    return sourced(
        value, name="peak_torque", unit="N.m", own=own, number=number, conditions=conditions
    )


def _constant(value: float = 1.551, *, own: float = 0.002, arm: float = 0.001):
    return sourced(value, name="torque_per_ampere", unit="N.m/A", own=own, arm=arm, freedom=None)


def test_a_torque_from_current_is_put_right_before_it_is_judged():
    """By 1.62 it was open and seemed settled by more of the same; by 1.551 it falls short."""
    (before,) = make_sheet(specimen_of(CLAIM, [_peak()])).rows
    assert before.verdict is Verdict.NOT_PROVEN
    assert "from current by 1.62 N·m/A of the bench file, which was not measured" in reason_text(
        before
    )
    row = make_sheet(specimen_of(CLAIM, [_peak(), _constant()])).rows[0]
    assert row.verdict is Verdict.FALLS_SHORT
    assert row.measured.value == pytest.approx(19.19 * 1.551 / 1.62)
    assert "corrected by 0.957: from current by 1.62 N·m/A, measured 1.551" in reason_text(row)


def test_its_uncertainty_is_one_error_of_all_torques_of_the_joint():
    """It widens each, does not shrink over findings, and no more of them are promised."""
    constant = _constant(1.62, own=0.02, arm=0.0)
    found = [_peak(19.2, own=0.01, number=number) for number in range(1, 9)]
    row = make_sheet(specimen_of("peak_torque_Nm = 19.00", [*found, constant])).rows[0]
    assert row.measured.standard_uncertainty == pytest.approx(19.2 * 0.02 / 1.62, rel=0.01)
    assert row.verdict is Verdict.NOT_PROVEN
    assert row.decision.repeat.more is None
    assert "torque per ampere of A-1" in row.decision.repeat.by_source
    one = make_sheet(specimen_of("", [_peak(19.2, own=0.3), constant])).rows[0].measured
    wide = math.hypot(0.3 * 2.776, 1.96 * 19.2 * 0.02 / 1.62)
    assert (one.high - one.low) / 2.0 == pytest.approx(wide, rel=0.01)


def test_an_arm_that_both_joints_were_measured_with_cancels():
    """What is the arm's stays the arm's, what is the joint's own is no other joint's."""
    quantities = [_peak(own=0.01), _constant(own=0.001, arm=0.01)]
    pair = {key: measured_of(specimen_of("", quantities, key=key)) for key in ("A-1", "A-2")}
    of_peak = next(one for one in compare_specimens(pair).differences if one.name == "peak_torque")
    assert of_peak.shared == ("arm",)
    factor, share = 1.551 / 1.62, 19.19 / 1.62
    wanted = math.sqrt(2.0) * math.hypot(0.01 * factor, 0.001 * share)
    assert of_peak.standard_uncertainty == pytest.approx(wanted, rel=1e-6)


def test_a_torque_that_does_not_tell_is_not_judged():
    """An older finding of a joint whose constant is off; where it agrees it is judged as ever."""
    hiding = replace(_peak(stored=None), hidden_constant=1.62)
    row = make_sheet(specimen_of(CLAIM, [hiding, _constant()])).rows[0]
    assert row.verdict is Verdict.NOT_COMPARABLE
    assert [one.fault for one in row.mismatches] == [ConditionFault.HIDDEN]
    assert "evaluate it again" in reason_text(row)
    unclaimed = make_sheet(specimen_of("", [hiding, _constant()])).rows[0]
    assert "evaluate it again" in reason_text(unclaimed)
    row = make_sheet(specimen_of(CLAIM, [hiding, _constant(1.62)])).rows[0]
    assert row.verdict is Verdict.NOT_PROVEN


def test_what_an_instrument_weighed_stays_as_it_is():
    """Without the condition nothing says that it stands on a current."""
    row = make_sheet(specimen_of(CLAIM, [_peak(stored=None), _constant()])).rows[0]
    assert row.measured.value == 19.19
    assert [*torque_basis_of("N.m.s/rad", 1.62)] == [TORQUE_CONSTANT]
    assert torque_basis_of("A", 1.62) == torque_basis_of("N.m", None) == {}
