"""From a recording to an account: figures that follow from how the load was made."""

import json
from dataclasses import replace

import numpy as np
import pytest

from logger.findings.finding import (
    Finding,
    FindingSpan,
    FoundQuantity,
    IntervalBy,
    KeptModel,
    Method,
)
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.joint.thermal.thermal_load import Node
from logger.joint.thermal.thermal_model import Winding
from logger.store.repair.keep_finding import keep_finding
from replay.duty.duty_type import DutyReason, DutyType
from replay.duty.evaluate import DutyModel, DutySlopes, evaluate_duty
from replay.duty.faults import DutyFault, DutyFaultKind
from replay.duty.model import duty_model
from replay.duty.result import DutyAssumption, HeldAgainst, ModelLimit, ModelSource, NoModel
from replay.duty.sentence import duty_sentence
from replay.duty.words import duty_notes, source_lines, window_rows
from replay.heat.answers import longest_loads
from replay.heat.faults import HeatFaultKind
from replay.heat.kept_model import KeptHeat
from replay.statistics import span_statistics
from tests.support.heat_recordings import START_NS, S, record_channels, record_stepped

SETTINGS = """
label = "Left knee"
rated = { torque = 12.0 }
winding = { resistance_ohm = 0.4 }
"""
HZ = 50
CYCLE_S = 4.0


@pytest.fixture(scope="module")
def cyclic(tmp_path_factory):
    """Give ten minutes at 50 Hz: 1 s up, 1 s down, 2 s rest, with a pulse of 20 N.m for 1.5 s."""
    time_s = np.arange(600 * HZ) / HZ
    phase = time_s % CYCLE_S
    torque = np.select([phase < 1.0, phase < 2.0], [8.0, 5.0], 0.0)
    speed = np.select([phase < 1.0, phase < 2.0], [2.0, -2.0], 0.0)
    torque[(time_s >= 300.3 - 1e-9) & (time_s < 301.8 - 1e-9)] = 20.0
    columns = {
        "torque_Nm": torque,
        "speed_rad_s": speed,
        "current_A": torque / 1.5,
        "temperature_winding_degC": np.where(time_s < 300, 40.0, 60.0),
    }
    path = tmp_path_factory.mktemp("duty") / "cyclic"
    time_ns = START_NS + np.round(time_s * S).astype(np.int64)
    recording = record_channels(path, time_ns, columns, hold_s=0.1, settings=SETTINGS)
    return recording, time_s, columns


@pytest.fixture(scope="module")
def told(cyclic):
    """Give the account of it."""
    return evaluate_duty(cyclic[0], "a")


def test_rms_is_that_of_the_readings(cyclic, told):
    """Over the whole time, weighted by it; over 1 s exactly the pulse, wherever it begins."""
    recording, _, columns = cyclic
    whole = span_statistics(recording, "a", "torque_Nm", told.start_ns, told.end_ns)
    assert told.rms == pytest.approx(whole.rms)
    assert told.rms == pytest.approx(np.sqrt(np.mean(columns["torque_Nm"] ** 2)), rel=1e-3)
    by_length = {one.window_s: one for one in told.windows}
    assert by_length[1].rms == pytest.approx(20.0)
    assert START_NS + 300.3 * S <= by_length[1].start_ns <= START_NS + 300.8 * S
    assert by_length[600].rms == pytest.approx(told.rms, rel=1e-3)
    lengths = [one.rms for one in told.windows]
    assert all(one.rms <= one.at_most for one in told.windows)
    assert lengths[0] == max(lengths)


def test_the_rated_value_is_held_against_long_windows(told):
    """Ten minutes and more: a pulse above the rated torque is none."""
    tightest = told.tightest
    assert tightest.against is HeldAgainst.RATED
    assert tightest.window.window_s == 600
    assert tightest.share[0] == pytest.approx(told.rms / 12.0, rel=1e-3)
    assert "of the rated value" in duty_sentence(told)
    assert duty_sentence(told).startswith("Left knee carried ")


def test_cycle_duty_and_work(cyclic, told):
    """4 s, loaded half of it, at standstill else: S3; work of both signs, torque times speed."""
    _, _, columns = cyclic
    value, low, high = told.cycles[0].period_s
    assert value == pytest.approx(CYCLE_S, rel=1e-3)
    assert low <= value <= high
    assert (told.duty.kind, told.duty.reason) == (DutyType.S3, DutyReason.CYCLES_WITH_REST)
    assert told.duty.loaded_share == pytest.approx(0.5, abs=0.03)
    power = columns["torque_Nm"] * columns["speed_rad_s"] / HZ
    assert told.work.positive_J == pytest.approx(power[power > 0].sum(), rel=1e-3)
    assert told.work.negative_J == pytest.approx(-power[power < 0].sum(), rel=1e-3)
    assert told.work.peak_W == pytest.approx(40.0)


def test_the_map_is_where_the_time_went(told):
    """Half at rest, a quarter each way, and the pulse."""
    load_map = told.load_map
    assert load_map.share.sum() == pytest.approx(1.0)
    middle = len(load_map.share) // 2
    assert load_map.share[middle, middle] == pytest.approx(0.5, abs=0.01)
    up = np.searchsorted(load_map.load_edges, 8.0, "right") - 1
    forward = np.searchsorted(load_map.speed_edges, 2.0 - 1e-9, "right") - 1
    assert load_map.share[up, forward] == pytest.approx(0.25, abs=0.01)
    assert load_map.load_edges[-1] >= 20.0


def test_copper_loss_follows_the_winding(cyclic, told):
    """I^2 R, R by the winding's own temperature: IEC 60028's 0.393 % a kelvin at 20 degC."""
    _, _, columns = cyclic
    winding = Winding(resistance_ohm=0.4)
    loss = winding.loss_W(columns["current_A"], columns["temperature_winding_degC"])
    assert told.copper.energy_J == pytest.approx(loss.sum() / HZ, rel=1e-3)
    assert DutyAssumption.COPPER_AT_REFERENCE not in told.assumptions


def test_cycles_by_rainflow(told):
    """150 cycles, one of them to 20 N.m; slopes that were stated are not assumed."""
    assert told.load_ranges.count.sum() == pytest.approx(150, abs=1.5)
    assert told.load_ranges.largest == pytest.approx(20.0)
    assert DutyAssumption.SLOPES_ASSUMED in told.assumptions
    warm = told.temperature_ranges["temperature_winding_degC"]
    assert warm.count.sum() == pytest.approx(0.5)
    assert warm.largest == pytest.approx(20.0)


def test_a_span_and_its_slopes(cyclic):
    """What is told is of the span alone; the answer is JSON."""
    recording = cyclic[0]
    told = evaluate_duty(
        recording,
        "a",
        start_ns=START_NS + 100 * S,
        end_ns=START_NS + 220 * S,
        slopes=DutySlopes(load=3.0),
    )
    assert told.highest == 8.0
    assert told.windows[-1].window_s == 120
    assert told.load_ranges.slope == 3.0
    assert DutyAssumption.SLOPES_ASSUMED not in told.assumptions
    json.dumps(told.to_json(), allow_nan=False)


@pytest.mark.parametrize(
    ("kind", "span", "changed"),
    [
        (DutyFaultKind.NO_LOAD, (0, 60), {"torque_Nm": np.full(3000, np.nan)}),
        (DutyFaultKind.TOO_SHORT, (0, 5), {}),
        (DutyFaultKind.NO_SPAN, (30, 20), {}),
        (DutyFaultKind.NO_SPAN, (900, 960), {}),
    ],
)
def test_what_has_no_load_is_refused(tmp_path, kind, span, changed):
    """One sentence each, that names the joint."""
    columns = {"torque_Nm": np.full(3000, 4.0), **changed}
    time_ns = START_NS + np.arange(3000) * (S // 50)
    recording = record_channels(tmp_path / "r", time_ns, columns, hold_s=0.1)
    with pytest.raises(DutyFault) as fault:
        evaluate_duty(
            recording, "a", start_ns=START_NS + span[0] * S, end_ns=START_NS + span[1] * S
        )
    assert fault.value.kind is kind
    assert " a" in str(fault.value)
    assert "\n" not in str(fault.value)


def test_without_a_model_it_says_why(cyclic, tmp_path):
    """No temperature stated; or a fit that cannot be made: the rest is told all the same."""
    recording = cyclic[0]
    told = evaluate_duty(
        recording, "a", model=duty_model(recording, "a", ambient=(), limit_degC=None)
    )
    assert told.no_model is NoModel.NO_LIMIT
    assert any("--hottest" in line for line in duty_notes(told))
    bare = record_channels(
        tmp_path / "r",
        START_NS + np.arange(900) * S,
        {"current_A": np.full(900, 4.0)},
    )
    model = duty_model(bare, "a", ambient=(), limit_degC=90.0)
    assert model.heat_fault is HeatFaultKind.NO_TEMPERATURE
    told = evaluate_duty(bare, "a", model=model)
    assert told.no_model is NoModel.NOT_FITTED
    assert told.tightest is None
    assert told.unit == "A"
    assert any("no winding or housing temperature" in line for line in duty_notes(told))


@pytest.mark.slow
def test_it_is_held_against_the_fitted_joint(tmp_path):
    """Each window against the load that the joint holds for as long, warm, with its interval."""
    recording, _ = record_stepped(tmp_path / "r")
    model = duty_model(recording, "a", ambient=(), limit_degC=110.0)
    told = evaluate_duty(recording, "a", model=model)
    fit = model.fit
    assert told.unit == "N.m"
    assert [one.window_s for one in told.allowed] == [one.window_s for one in told.windows]
    tightest = told.tightest
    assert tightest.against is HeldAgainst.MODEL
    ((value, low, high),) = longest_loads(
        fit.joints,
        node=fit.node,
        limit_degC=110.0,
        ambient_degC=fit.idle_degC,
        per_ampere=1.5,
        time_s=np.array([float(tightest.window.window_s)]),
        is_warm=True,
    )
    assert tightest.allowed == pytest.approx((value, low, high))
    assert tightest.share == pytest.approx(
        tuple(tightest.window.rms / one for one in (value, high, low))
    )
    allowed = {one.window_s: one.load[0] for one in told.allowed}
    assert tightest.share[0] == max(one.rms / allowed[one.window_s] for one in told.windows)
    assert {DutyAssumption.AS_IT_WAS, DutyAssumption.STATED_LIMIT} <= set(told.assumptions)
    assert "of what it holds for so long with its winding at 110 °C" in duty_sentence(told)
    assert sum(", the tightest" in row[0] for row in window_rows(told)) == 1
    housing = evaluate_duty(recording, "a", model=DutyModel(limit_degC=None))
    assert housing.allowed == ()


def test_a_model_of_another_recording_is_named_with_its_date(told):
    """In the notes and in the answer as JSON; an account's own recording is not."""
    own = ModelLimit(node=Node.WINDING, limit_degC=80.0, ambient_degC=22.4, ambient_is_idle=False)
    other = replace(own, fitted_to=(ModelSource("soak", START_NS),))
    (line,) = source_lines(replace(told, limit=other))
    date = np.datetime64(START_NS, "ns").astype("datetime64[D]")
    assert f"soak of {date}" in line
    assert "22 °C" in line
    assert line in duty_notes(replace(told, limit=other))
    assert source_lines(replace(told, limit=own)) == []
    written = json.loads(json.dumps(replace(told, limit=other).to_json()))
    assert written["limit"]["fitted_to"] == [
        {"recording": "soak", "start_ns": START_NS, "finding": None}
    ]


@pytest.mark.parametrize(
    "kind", [one for one in HeatFaultKind if one is not HeatFaultKind.OTHER_SERIAL]
)
def test_whatever_keeps_a_joint_from_being_fitted_has_words(told, kind):
    """Each is told in one line, and none ends the account."""
    lacking = replace(told, no_model=NoModel.NOT_FITTED, heat_fault=kind)
    assert sum("Not told: what the joint holds" in line for line in duty_notes(lacking)) == 1


def test_a_model_of_another_specimen_is_refused(tmp_path):
    """Its serial says so: what one joint holds is not told by another."""
    time_ns, columns = START_NS + np.arange(60) * S, {"current_A": np.full(60, 4.0)}
    one, other = (
        record_channels(tmp_path / name, time_ns, columns, settings=f'serial = "{name}"')
        for name in ("A1", "A2")
    )
    model = duty_model(one, "a", ambient=(), limit_degC=110.0, fitted_to=[other])
    assert model.heat_fault is HeatFaultKind.OTHER_SERIAL
    notes = duty_notes(evaluate_duty(one, "a", model=model))
    assert any("found another serial of a (A1 and A2), expected" in line for line in notes)


def test_a_model_that_was_kept_is_taken_and_named(tmp_path):
    """No fit is made: its covariance gives the bands, and the sentence says which finding it is."""
    time_ns, columns = START_NS + np.arange(900) * S, {"current_A": np.full(900, 4.0)}
    short, earlier = (record_channels(tmp_path / name, time_ns, columns) for name in "ab")
    span = FindingSpan(
        recording_id=earlier.manifest.recording_id,
        recording="b",
        from_ns=START_NS,
        to_ns=START_NS + 900 * S,
    )
    thermal = ThermalSettings(
        housing_rise=0.3, housing_time_s=300.0, log_covariance=((0.01, 0.0), (0.0, 0.04))
    )
    rise = FoundQuantity(
        name="housing_rise",
        value=0.3,
        unit="K/A2",
        standard_uncertainty=0.03,
        low=0.25,
        high=0.36,
        interval_by=IntervalBy.CURVATURE,
    )
    kept = keep_finding(
        tmp_path / "b",
        Finding(
            format=2,
            kind="heat",
            joint="a",
            quantities=(rise,),
            method=Method(name="made for a test"),
            spans=(span,),
            heat_model=KeptModel(thermal=thermal, ambient_degC=23.0),
        ),
    )
    model = duty_model(short, "a", ambient=(), limit_degC=60.0, fitted_to=[earlier])
    assert isinstance(model.fit, KeptHeat)
    result = evaluate_duty(short, "a", model=model)
    assert f", kept as {kept.id[:8]}" in duty_sentence(result)
    low, high = (end / result.allowed[-1].load[0] for end in result.allowed[-1].load[1:])
    assert low < 0.95
    assert high > 1.05
    assert result.limit.ambient_degC == 23.0


@pytest.mark.slow
def test_a_short_recording_is_held_against_an_earlier_one(tmp_path):
    """What it could not be fitted to itself is told, the sentence names where from."""
    earlier, _ = record_stepped(tmp_path / "earlier")
    short, _ = record_stepped(tmp_path / "short", part=slice(2000, 2500))
    alone = duty_model(short, "a", ambient=(), limit_degC=110.0)
    assert alone.heat_fault is HeatFaultKind.TOO_SHORT
    model = duty_model(short, "a", ambient=(), limit_degC=110.0, fitted_to=[earlier])
    result = evaluate_duty(short, "a", model=model)
    assert result.no_model is None
    assert result.allowed
    assert "(as fitted to earlier of " in duty_sentence(result)
