"""Limits from a joint that is known: valid, not in force, and in time on a recording of it."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from logger.heat.model import HeatModel, SpeedLoss, heat_joint
from logger.joint.thermal.thermal_load import Node
from logger.joint.time_weighted import Buckets
from logger.limits.limit import parse_limits
from replay.evaluation.alert_arrays import AlertArrays
from replay.heat.bins import SensorSource
from replay.heat.planning.limits_words import proposed_file
from replay.heat.planning.proposed_limits import (
    LimitsAssumption,
    ProposalFault,
    ProposalFaultKind,
    _leads,
    propose_limits,
    try_limits,
)
from replay.heat.quantity import QuantityName
from replay.heat.result import Caution, Remedy, UnknownQuantity
from replay.heat.trace import SensorPlace
from tests.support.heat_recordings import record_stepped

S = 1_000_000_000
AMBIENT = SensorSource(place=SensorPlace.AMBIENT, joint="a", channel="temperature_ambient_degC")


@pytest.fixture(scope="module")
def stepped(tmp_path_factory):
    """Give two hours of load steps, and what a fit of it that found the truth would be."""
    recording, made = record_stepped(tmp_path_factory.mktemp("proposed") / "r")
    model = HeatModel(nodes=2, standby=True)
    joint = heat_joint(model, {name: made.truth[name.value] for name in model.parameters})
    fit = SimpleNamespace(
        joint="a",
        label="a",
        joints=(joint,) * 5,
        node=Node.WINDING,
        has_room=True,
        is_load_known=True,
        has_changed=False,
        unknown=(),
        cautions=(Caution.WINDING_UNSEEN, Caution.THIS_MOUNTING),
        rms_speed_rad_s=0.0,
        idle_degC=25.0,
        problem=SimpleNamespace(model=model),
        read=SimpleNamespace(
            load="current_A",
            recordings=("r",),
            sources=(AMBIENT,),
            trace=SimpleNamespace(hours=2.0),
        ),
    )
    return recording, fit


def _changed(fit, **changes):
    return SimpleNamespace(**{**vars(fit), **changes})


def test_they_are_raised_before_the_winding_is_there(stepped):
    """The winding is read at 90 degC and more: the trip comes before, the warning before that."""
    recording, fit = stepped
    proposed = propose_limits(fit, limit_degC=90.0)
    warning, trip = try_limits(proposed, [recording])
    assert (warning.severity, trip.severity) == ("warning", "trip")
    assert trip.hottest_degC >= 90.0
    assert len(trip.leads_s) == len(warning.leads_s) >= 1
    for early, late in zip(warning.leads_s, trip.leads_s, strict=True):
        assert early > late > 0.0


def test_where_the_limit_is_far_they_are_quiet(stepped):
    """130 degC, which this recording never comes near: no trip, and no lead time as a number."""
    recording, fit = stepped
    proposed = propose_limits(fit, limit_degC=130.0)
    _, trip = tried = try_limits(proposed, [recording])
    assert trip.raised == 0
    assert trip.leads_s == ()
    text = proposed_file(proposed, fit, tried, made=datetime(2026, 1, 2, tzinfo=UTC))
    assert "no lead time can be told" in text
    assert "The winding is warmer than the housing" in text  # what the fit cautions of
    assert "not in force" in text
    assert "on 2026-01-02" in text
    assert parse_limits(text, "limits.toml").limits
    assert max(map(len, text.splitlines())) <= 100


def test_the_file_reads_back(stepped):
    """A warning and a trip for each image; the ambient counts where the joint reports it."""
    _, fit = stepped
    proposed = propose_limits(fit, limit_degC=100.0)
    limits = parse_limits(proposed.text, "limits.toml").limits
    assert [one.severity for one in limits] == ["warning", "trip"] * 2
    assert all(one.joint == "a" and one.channel == "current_A" for one in limits)
    assert limits[0].basic <= 0.9 * proposed.load_for_ever[1]
    assert limits[0].heating_s > limits[2].heating_s
    assert limits[0].most_degC < 100.0  # by what standby warms the joint
    assert LimitsAssumption.AMBIENT_COUNTS in proposed.assumptions


@pytest.mark.parametrize(
    ("changes", "assumption"),
    [
        ({"has_room": False}, LimitsAssumption.IDLE_AS_RECORDED),
        (
            {
                "read": SimpleNamespace(
                    load="current_A",
                    recordings=("r",),
                    sources=(replace(AMBIENT, joint="room"),),
                )
            },
            LimitsAssumption.AMBIENT_FIXED,
        ),
        (
            {
                "problem": SimpleNamespace(
                    model=HeatModel(nodes=2, standby=True, speed=SpeedLoss.LINEAR)
                )
            },
            LimitsAssumption.SPEED_AS_RECORDED,
        ),
    ],
)
def test_what_is_assumed_is_told(stepped, changes, assumption):
    """A room that is not the joint's own channel, or not recorded, does not move the limits."""
    proposed = propose_limits(_changed(stepped[1], **changes), limit_degC=100.0)
    assert assumption in proposed.assumptions
    if assumption is not LimitsAssumption.SPEED_AS_RECORDED:
        assert all("most_degC" not in table for table in proposed.tables)


RISE_UNKNOWN = UnknownQuantity(name=QuantityName.HOUSING_RISE, remedies=(Remedy.SECOND_LOAD_LEVEL,))


@pytest.mark.parametrize(
    ("changes", "limit_degC", "kind", "words"),
    [
        (
            {"is_load_known": False, "unknown": (RISE_UNKNOWN,)},
            100.0,
            ProposalFaultKind.LOAD_NOT_KNOWN,
            "To learn it: hold a second load",
        ),
        (
            {"is_load_known": False, "has_changed": True},
            100.0,
            ProposalFaultKind.LOAD_NOT_KNOWN,
            "`dutytrace cut`",
        ),
        ({}, 41.0, ProposalFaultKind.NOTHING_BORNE, "41 °C, which a may have without any load in"),
    ],
)
def test_without_knowledge_none_is_proposed(stepped, changes, limit_degC, kind, words):  # noqa: N803
    """One line that says what to do, and no limit."""
    with pytest.raises(ProposalFault) as fault:
        propose_limits(_changed(stepped[1], **changes), limit_degC=limit_degC)
    assert fault.value.kind is kind
    assert words in str(fault.value)
    assert "\n" not in str(fault.value)


def _alerts(*spans):
    raised, returned = (np.array(one, np.int64) * S for one in zip(*spans, strict=True))
    return AlertArrays(onset_ns=raised, raised_ns=raised, returned_ns=returned)


def _read(*spans):
    """Return seconds in which a temperature was read, by the spans that they make up."""
    at = np.concatenate([np.arange(*span) for span in spans])
    return Buckets(
        width_ns=S,
        start_ns=at * S,
        n=np.ones_like(at),
        duration_s=np.ones(len(at)),
        **dict.fromkeys(("mean", "m2", "minimum", "maximum", "first", "last"), np.zeros(len(at))),
    )


def test_leads_count_alerts_that_are_active_then():
    """Of two images the first one counts; one that has returned before, or comes later, is none."""
    reached = _alerts((100, 120), (500, 520), (900, 910))
    raised = [_alerts((60, 130), (300, 400)), _alerts((80, 125), (505, 600))]
    assert _leads(raised, reached, _read((0, 1000))) == ((40.0, None, None), 1)
    assert _leads([_alerts((60, 130))], None, _read((0, 1000))) == ((), 1)


def test_a_pause_is_no_lead():
    """Of 1,000 s between an alert and the limit nothing was read for 970."""
    reached, raised = _alerts((1060, 1100)), [_alerts((60, 1130))]
    assert _leads(raised, reached, _read((0, 80), (1050, 1200))) == ((30.0,), 0)
