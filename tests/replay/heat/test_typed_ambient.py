"""The ambient as a person types it: readings with their times, and what is none."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logger.errors import InputError
from replay.heat.bins import read_trace
from replay.heat.dated_ambient import DatedReading
from replay.heat.evaluate import answer_heat
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fit import AmbientChoice, fit_heat
from replay.heat.quantity import QuantityName
from replay.heat.result import Assumption
from replay.heat.trace import SensorPlace
from replay.heat.typed_ambient import ambient_choice, ambient_texts, settled_ambient
from tests.support.heat_joints import load_course, simulate_joint
from tests.support.heat_recordings import S, record_channels

NINE_NS = int(datetime(2026, 11, 25, 9, tzinfo=UTC).timestamp()) * S
HOUSING = "temperature_housing_degC"


def recorded(path, *, begin_ns=NINE_NS, seconds=60, gap=slice(0, 0)):
    """Return a recording whose load is missing in a gap."""
    current = np.ones(seconds)
    current[gap] = np.nan
    columns = {"current_A": current, HOUSING: np.linspace(30.0, 40.0, seconds)}
    return record_channels(path, begin_ns + np.arange(seconds) * S, columns)


def test_the_date_may_be_left_out_where_only_one_fits(tmp_path):
    """Of one day, also over midnight; a zone may stand with the time."""
    day = recorded(tmp_path / "day", seconds=3600)
    typed = ["09:00 22.5degC", "2026-11-25T09:30 23", "11:01:30+01:00 24 °C"]
    readings = ambient_choice(typed, [day], "a").dated
    assert [(one.time_ns - NINE_NS) // S for one in readings] == [0, 1800, 3690]
    assert [one.degC for one in readings] == [22.5, 23.0, 24.0]
    night = recorded(tmp_path / "night", begin_ns=NINE_NS + 14 * 3600 * S, seconds=7200)
    early, late = ambient_choice(["23:30 20degC", "00:30 19degC"], [night], "a").dated
    assert (late.time_ns - early.time_ns) // S == 3600


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["25:00 22degC"], "whose time is none"),
        (["2026-02-30 09:00 22degC"], "whose time is none"),
        (["09:00"], "expected a reading such as 09:00 22.5degC"),
        (["9:0 22degC"], "expected a reading such as"),
        (["09:00 warm"], "expected a temperature"),
        (["09:00 900degC"], "expected a temperature"),
        (["12:00 22degC"], "not read while it was recorded.*2026-11-25 09:00 to 09:01"),
        (["2026-11-24 09:00 22degC"], "not read while it was recorded"),
        (["09:00 22degC", "09:00 23degC"], "two readings of one time"),
        (["09:00 22degC", "23degC"], "2 of which '23degC' has no time"),
        (["22degC", "23degC"], "2 of which '22degC' has no time"),
    ],
)
def test_what_is_no_reading_is_refused(tmp_path, texts, words):
    """In one sentence that begins with the option."""
    with pytest.raises(InputError, match=words) as fault:
        ambient_choice(texts, [recorded(tmp_path / "r")], "a")
    assert str(fault.value).startswith("--ambient: ")
    assert "\n" not in str(fault.value)


def test_what_was_typed_means_the_same_to_every_reader(tmp_path):
    """In Berlin it was ten when it was nine in UTC; what is no reading stays as it was typed."""
    recording = recorded(tmp_path / "r", seconds=3600)
    berlin = ZoneInfo("Europe/Berlin")
    settled = settled_ambient("10:30:05 23 ;10:00 22.5degC;", [recording], berlin)
    assert settled == "2026-11-25 10:00+01:00 22.5degC; 2026-11-25 10:30:05+01:00 23degC"
    first, second = ambient_choice(ambient_texts(settled), [recording], "a").dated
    assert (first.time_ns, second.time_ns - first.time_ns) == (NINE_NS, 1805 * S)
    assert settled_ambient(settled, [recording], UTC) == (
        "2026-11-25 09:00+00:00 22.5degC; 2026-11-25 09:30:05+00:00 23degC"
    )
    for text in ("", "23degC", "room.temperature_ambient_degC", "10:00 warm", "08:00 22; 23degC"):
        assert settled_ambient(text, [recording], berlin) == text
    with pytest.raises(InputError, match=r"^ambient: .*10:00 to 11:00 \(CET\)"):
        ambient_choice(["12:00 22"], [recording], "a", where="ambient", zone=berlin)


def test_recordings_of_two_days_need_the_date(tmp_path):
    """At that time of day both were recorded."""
    days = [
        recorded(tmp_path / name, begin_ns=NINE_NS + late * 86_400 * S)
        for name, late in (("first", 0), ("second", 1))
    ]
    with pytest.raises(InputError, match="may be of 2 days"):
        ambient_choice(["09:00 22degC"], days, "a")
    (one,) = ambient_choice(["2026-11-26 09:00 22degC"], days, "a").dated
    assert one.time_ns == NINE_NS + 86_400 * S


def test_a_reading_in_a_gap_counts_where_a_load_is_near(tmp_path):
    """Ten minutes from the load at most."""
    recording = recorded(tmp_path / "r", seconds=4800, gap=slice(1200, 3600))
    near = DatedReading(NINE_NS + 1500 * S, 22.0)
    read = read_trace([recording], "a", dated=[near])
    sensor = read.trace.sensor_at(SensorPlace.AMBIENT)
    at_s = read.trace.begin_s[sensor.step] + 10.0 * sensor.fraction
    assert at_s[0] == pytest.approx(1200.0, abs=15.0)
    assert all(source.place is not SensorPlace.AMBIENT for source in read.sources)
    with pytest.raises(HeatFault) as fault:
        read_trace([recording], "a", dated=[near, DatedReading(NINE_NS + 2400 * S, 22.0)])
    assert fault.value.kind is HeatFaultKind.AMBIENT_IN_GAP


def test_a_room_that_warmed_is_followed_between_readings(tmp_path):
    """By 2.5 K, read off four times: the joint lies in its intervals, and standby is told apart."""
    seconds = 7200
    load = load_course("steps", seconds, np.random.default_rng(7))
    warmer = np.linspace(0.0, 2.5, seconds)
    made = simulate_joint(7, gaps=0, load=load, warmer_K=warmer)
    noise = np.random.default_rng(8).normal(0, 0.15, seconds)
    recording = record_channels(
        tmp_path / "r",
        NINE_NS + np.arange(seconds) * S,
        {"current_A": load, HOUSING: np.rint(made.temperatures[1:, 1] + noise)},
    )
    at = np.array([0, 2400, 4800, 7199])
    dated = tuple(
        DatedReading(NINE_NS + int(second) * S, float(np.rint(2.0 * made.ambient_degC[second]) / 2))
        for second in at
    )
    fit = fit_heat([recording], "a", ambient=AmbientChoice(dated=dated))
    assert fit.has_room
    result = answer_heat(fit, limit_degC=90.0)
    assert Assumption.AMBIENT_DATED in result.assumptions
    known = {one.name: one for one in result.quantities}
    for name in (QuantityName.HOUSING_RISE, QuantityName.HOUSING_TIME):
        assert known[name].low <= made.truth[name.value] <= known[name].high, name
    room = fit.problem.ambient_of(fit.mode.unknowns)
    true = np.interp(fit.read.trace.begin_s, np.arange(seconds), made.ambient_degC)
    off_K = np.sqrt(np.mean((room - true) ** 2))  # noqa: N806 - the unit's own spelling
    # A typed reading is off by half a kelvin; one temperature all the time would be by more.
    assert off_K < 0.5 < np.std(true), off_K
    assert np.corrcoef(room, true)[0, 1] > 0.8
