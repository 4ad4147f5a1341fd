"""From a recording to what is told: numbers that a trace carries, words for what it does not."""

import dataclasses
import datetime
import json
import math

import numpy as np
import pytest

from logger.errors import InputError
from replay.heat.bench_model import thermal_settings
from replay.heat.bins import read_trace
from replay.heat.borne_words import for_ever_rows, held_for_rows
from replay.heat.dated_ambient import DatedReading
from replay.heat.evaluate import AmbientChoice, answer_heat, evaluate_heat
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.finding import heat_finding
from replay.heat.fit import fit_heat
from replay.heat.options import chosen_joint
from replay.heat.quantity import QuantityName
from replay.heat.result import Assumption, Caution, Remedy
from replay.heat.sentence import heat_sentence
from replay.heat.text import duration_text
from replay.heat.typed_ambient import ambient_choice, temperature_degC
from replay.heat.words import note_lines
from tests.support.heat_joints import load_course, simulate_joint
from tests.support.heat_recordings import START_NS, S, record_channels, record_stepped

HOUSING, AMBIENT = "temperature_housing_degC", "temperature_ambient_degC"


@pytest.fixture(scope="module")
def stepped(tmp_path_factory):
    """Give a recording of two hours of load steps with the room, and the truth behind it."""
    path = tmp_path_factory.mktemp("heat") / "stepped"
    recording, made = record_stepped(path, winding=False)
    fit = fit_heat([recording], "a")
    return recording, made, answer_heat(fit, limit_degC=90.0), fit


def test_the_joint_comes_out_in_watts(stepped):
    """K/W and J/K with their intervals around the truth, since the bench knows the resistance."""
    _, made, result, _ = stepped
    found = {one.name: one for one in result.quantities}
    truth = {
        QuantityName.HOUSING_RISE: made.truth["housing_rise"],
        QuantityName.HOUSING_RESISTANCE: made.truth["housing_rise"] / 0.145,
        QuantityName.HOUSING_CAPACITY: made.truth["housing_time"]
        * 0.145
        / made.truth["housing_rise"],
        QuantityName.STANDBY_RISE: made.truth["standby_rise"],
    }
    for name, value in truth.items():
        one = found[name]
        assert one.low * 0.97 <= value <= one.high * 1.03, name
        assert one.low < one.value < one.high
    assert found[QuantityName.HOUSING_RESISTANCE].unit == "K/W"
    assert not result.has_changed
    assert result.load_unit == "N.m"
    assert {Caution.THIS_MOUNTING, Caution.MAKER_FIRST} <= set(result.cautions)
    assert result.basis.hours == pytest.approx(2.0, abs=0.01)
    # At standstill half the loss is left for each ampere, so the torque falls by root two.
    for band in result.for_ever:
        assert band.rotating[1] <= band.rotating[0] <= band.rotating[2]
        assert band.holding[0] == pytest.approx(band.rotating[0] / math.sqrt(2.0), rel=0.05)
    torques = [band.rotating[0] for band in result.for_ever]
    assert torques == sorted(torques, reverse=True)
    for held in result.held_for:
        assert held.warm_s[0] <= held.cold_s[0]
    assert "for ever at 40 °C" in heat_sentence(result)
    assert result.held_at_degC == 40.0
    json.dumps(result.to_json(), allow_nan=False)


def test_a_room_as_warm_as_the_limit_leaves_nothing(stepped):
    """Said in words; no load of 0 with an interval, and no times."""
    result = answer_heat(stepped[3], limit_degC=39.0)
    assert "carries nothing for ever at 40 °C with its housing at 39 °C" in heat_sentence(result)
    assert result.held_for == ()
    assert {room: load for room, load, *_ in for_ever_rows(result)}["40 °C"] == "nothing"


def test_without_a_limit_nothing_is_borne(stepped):
    """No temperature to hold was stated: no torque, no caution needed, and the sentence says so."""
    result = evaluate_heat([stepped[0]], "a")
    assert result.for_ever == ()
    assert result.held_for == ()
    assert result.cautions == ()
    assert "--hottest" in heat_sentence(result)


def test_an_unknown_room_is_said(tmp_path, stepped):
    """Without an ambient no standby rise is told, and torque is against the idle temperature."""
    recording, made, *_ = stepped
    rows = recording.read_readings("a", recording.start_ns, recording.end_ns)
    alone = record_channels(
        tmp_path / "r", rows.time_ns, {name: rows.columns[name] for name in ("current_A", HOUSING)}
    )
    result = evaluate_heat([alone], "a", limit_degC=90.0)
    assert result.ambient_is_idle
    assert Assumption.AMBIENT_DRIFTS in result.assumptions
    assert QuantityName.STANDBY_RISE not in {one.name for one in result.quantities}
    assert result.load_unit == "A"
    assert len(result.for_ever) == 1
    idle = float(made.ambient_degC.mean()) + made.truth["standby_rise"]
    assert result.for_ever[0].ambient_degC == pytest.approx(idle, abs=2.5)


@pytest.mark.slow
def test_one_steady_cycle_leaves_rises_unknown(tmp_path):
    """The same cycle for two hours: no rise as a number; a second load level is asked for."""
    load = load_course("cyclic", 7200, np.random.default_rng(3))
    made = simulate_joint(10, gaps=0, load=load)
    dice = np.random.default_rng(4)
    recording = record_channels(
        tmp_path / "r",
        START_NS + np.arange(7200) * S,
        {
            "current_A": load,
            HOUSING: np.rint(made.temperatures[1:, 1] + dice.normal(0, 0.15, 7200)),
            AMBIENT: np.rint(made.ambient_degC + dice.normal(0, 0.15, 7200)),
        },
    )
    result = evaluate_heat([recording], "a", limit_degC=90.0)
    unknown = {one.name: one.remedies for one in result.unknown}
    assert Remedy.SECOND_LOAD_LEVEL in unknown[QuantityName.HOUSING_RISE]
    assert result.for_ever == ()
    assert "not known from this trace" in heat_sentence(result)
    assert any("Not known from this trace" in line for line in note_lines(result))
    for one in result.to_json()["quantities"]:
        assert one["high"] / one["low"] <= 4.0


@pytest.mark.slow
@pytest.mark.parametrize("room", [True, False])
def test_one_constant_load_tells_no_rise(tmp_path, room):
    """The same current for two hours: what the load does and the rest are not told apart."""
    load = np.full(7200, 8.0)
    made = simulate_joint(11, gaps=0, load=load)
    columns = {"current_A": load, HOUSING: np.rint(made.temperatures[1:, 1])}
    if room:
        columns[AMBIENT] = np.rint(made.ambient_degC)
    recording = record_channels(tmp_path / "r", START_NS + np.arange(7200) * S, columns)
    result = evaluate_heat([recording], "a", limit_degC=90.0)
    assert QuantityName.HOUSING_RISE in {one.name for one in result.unknown}
    assert result.for_ever == ()
    assert result.held_for == ()


def _courses(seconds, **changed):
    """Return times and columns of a joint that is loaded and warms, with some changed."""
    at = np.arange(seconds)
    columns = {
        "current_A": 5.0 + 3.0 * np.sin(at / 200.0),
        HOUSING: np.rint(30.0 + 15.0 * (1 - np.exp(-at / 900.0))),
        AMBIENT: np.full(seconds, 22.0),
        **changed,
    }
    return START_NS + at * S, columns


@pytest.mark.parametrize(
    ("kind", "seconds", "changed"),
    [
        (HeatFaultKind.TOO_SHORT, 30, {}),
        (HeatFaultKind.TOO_SHORT, 300, {}),
        (HeatFaultKind.NOT_LOADED, 1800, {"current_A": np.zeros(1800)}),
        (HeatFaultKind.STANDING_SENSOR, 1800, {HOUSING: np.full(1800, 31.0)}),
        (HeatFaultKind.AMBIENT_ABOVE, 1800, {AMBIENT: np.full(1800, 70.0)}),
        (HeatFaultKind.NO_TEMPERATURE, 1800, {HOUSING: np.full(1800, np.nan)}),
        (HeatFaultKind.NO_LOAD, 1800, {"current_A": np.full(1800, np.nan)}),
    ],
)
def test_what_cannot_be_fitted_is_refused(tmp_path, kind, seconds, changed):
    """One sentence each, which names the joint as people do, and never a number."""
    label = 'label = "Left knee"\n'
    recording = record_channels(tmp_path / "r", *_courses(seconds, **changed), settings=label)
    with pytest.raises(HeatFault) as fault:
        evaluate_heat([recording], "a", limit_degC=80.0)
    assert fault.value.kind is kind
    assert " Left knee" in str(fault.value)
    assert "\n" not in str(fault.value)


def test_joints_of_two_serials_are_not_one(tmp_path):
    """A joint that was exchanged is another one, whatever its name; one without a serial may be."""
    time_ns, columns = _courses(1200)
    first, second, unnamed = (
        record_channels(tmp_path / name, time_ns + begin_s * S, columns, settings=settings)
        for name, begin_s, settings in (
            ("first", 0, 'serial = "K-1"\n'),
            ("second", 3000, 'serial = "K-2"\n'),
            ("unnamed", 6000, ""),
        )
    )
    with pytest.raises(HeatFault, match="K-1 and K-2") as fault:
        read_trace([first, second], "a")
    assert fault.value.kind is HeatFaultKind.OTHER_SERIAL
    assert len(read_trace([first, unnamed], "a").recordings) == 2


def test_a_joint_that_is_not_there_is_said_of_its_recording(tmp_path):
    """With the joints of that recording, not of another."""
    recording = record_channels(tmp_path / "r", *_courses(30))
    with pytest.raises(InputError, match=r"found 'elbow'.*a joint of r: a"):
        chosen_joint([recording], "elbow")


def test_an_ambient_that_was_typed_in_too_warm_is_refused(tmp_path):
    """70 degC of a joint that never was: no standby rise comes of it."""
    recording = record_channels(tmp_path / "r", *_courses(1800))
    with pytest.raises(HeatFault) as fault:
        evaluate_heat([recording], "a", ambient=AmbientChoice(stated_degC=70.0))
    assert fault.value.kind is HeatFaultKind.AMBIENT_ABOVE


@pytest.mark.parametrize("text", ["warm", "23 K", "", "900degC", "nan"])
def test_a_temperature_that_is_none_is_refused(text):
    """In words that say what would be right."""
    with pytest.raises(InputError, match=r"--hottest: found .* expected a temperature"):
        temperature_degC(text, "--hottest")


def test_what_a_person_types(tmp_path):
    """A temperature with and without its unit, a channel with and without its owner."""
    assert temperature_degC("23.5", "-") == temperature_degC(" 23.5 degC", "-") == 23.5
    recording = record_channels(tmp_path / "r", *_courses(900))
    assert ambient_choice(["23degC"], [recording], "a").stated_degC == 23.0
    source = ambient_choice([AMBIENT], [recording], "a").source
    assert source is not None
    assert ambient_choice([f"a.{AMBIENT}"], [recording], "a").source == source
    for text in ("room.temperature_ambient_degC", "current_A", "elsewhere"):
        with pytest.raises(HeatFault):
            ambient_choice([text], [recording], "a")
    assert chosen_joint([recording], None) == "a"
    with pytest.raises(InputError, match="--joint"):
        chosen_joint([recording], "b")


def test_durations_as_they_are_said():
    """From seconds to never."""
    texts = [duration_text(value) for value in (5.2, 119.0, 560.0, 3000.0, 9000.0, 3e5, math.inf)]
    assert texts == ["5 s", "119 s", "9.3 min", "50 min", "2.5 h", "3.5 d", "for ever"]


def test_rows_say_for_ever(stepped):
    """A load just above the one for ever may be held for ever at one end of its band."""
    rows = held_for_rows(stepped[2])
    assert len(rows) == 5
    assert all(row[0].endswith("N·m") for row in rows)


def test_the_finding_has_the_numbers_of_the_answer(stepped):
    """Every known quantity, every ambient of the table, and nothing that is not known."""
    recording, _, result, _ = stepped
    finding = heat_finding(result, [recording], AmbientChoice(stated_degC=25.0))
    assert (finding.kind, finding.joint, finding.id) == ("heat", "a", "")
    known = {one.name.value: one for one in result.quantities if one.is_known}
    kept = {one.name: one for one in finding.quantities if not one.conditions}
    assert set(kept) == set(known)
    assert known
    for name, quantity in kept.items():
        assert (quantity.value, quantity.low, quantity.high, quantity.unit) == (
            known[name].value,
            known[name].low,
            known[name].high,
            known[name].unit,
        )
    borne = {
        (one.conditions["ambient_degC"], one.conditions["holding"]): (one.value, one.low, one.high)
        for one in finding.quantities
        if one.name == "continuous_torque"
    }
    assert borne == {
        (band.ambient_degC, held): values
        for band in result.for_ever
        for held, values in ((False, band.rotating), (True, band.holding))
        if values[1] > 0.0
    }
    assert borne
    told = {one.conditions.get("torque_constant_Nm_A") for one in finding.quantities}
    assert told == {None, recording.bench.joints[0].torque.per_ampere}
    (span, *_) = finding.spans
    assert span.recording_id == recording.manifest.recording_id
    assert recording.start_ns <= span.from_ns < span.to_ns <= recording.end_ns
    assert [(one.name, one.value, one.unit) for one in finding.typed] == [("ambient", 25.0, "Cel")]
    dated = AmbientChoice(dated=(DatedReading(START_NS, 24.5),))
    (typed,) = heat_finding(result, [recording], dated).typed
    assert (typed.value, typed.unit, typed.standard_uncertainty) == (24.5, "Cel", 0.5)
    assert typed.name.startswith("ambient at 20")
    assert finding.settings["hottest_degC"] == 90.0


def test_the_table_for_the_bench_file_is_the_fit(stepped):
    """It lies about the truth, within what its covariance says; one that changed has none."""
    recording, made, _, fit = stepped
    today = datetime.date(2026, 3, 1)
    settings = thermal_settings(fit, today)
    truth = {
        "housing_rise": made.truth["housing_rise"],
        "standby_rise_K": made.truth["standby_rise"],
    }
    for at, (key, value) in enumerate(settings.figures.items()):
        if key in truth:
            sd = math.sqrt(settings.log_covariance[at][at])
            assert abs(math.log(value / truth[key])) < 3.0 * sd + 0.03, key
    assert (settings.fitted, settings.source) == (today, recording.name)
    changed = dataclasses.replace(fit, mode=dataclasses.replace(fit.mode, size_K=5.0))
    with pytest.raises(HeatFault) as fault:
        thermal_settings(changed, today)
    assert fault.value.kind is HeatFaultKind.NO_MODEL
