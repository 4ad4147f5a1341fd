"""Loads beyond which a time by heat alone is not to be relied on: whose, and how they are told."""

import dataclasses
from pathlib import Path

import pytest

from logger.findings.uncertainty import quantity_from_parts
from logger.limits.limit import parse_limits
from logger.store.repair.keep_finding import keep_finding
from replay.heat.borne_words import for_ever_rows, held_for_head, held_for_rows
from replay.heat.evaluate import answer_heat
from replay.heat.fit import HeatFit
from replay.heat.known_peaks import known_peaks
from replay.heat.peak_load import PeakLoad, PeakSource, first_beyond
from replay.heat.sentence import heat_sentence
from replay.recording import Recording
from tests.support.findings import play_finding, small_recording

CLAIMS = "claims = { peak_torque_Nm = 24.0, peak_current_A = 15.0, mass_kg = 0.6 }\n"
LIMITS = """
format = 1
[[limit]]
name = "over-current"
kind = "level"
severity = "trip"
channel = "current_A"
above = 20.0
on_delay_s = 0.1
[[limit]]
name = "long"                 # lets it go on for two minutes
kind = "level"
severity = "trip"
channel = "current_A"
above = 9.0
on_delay_s = 120.0
[[limit]]
name = "one-way"              # the other direction is open
kind = "level"
severity = "trip"
channel = "current_A"
magnitude = false
above = 8.0
[[limit]]
name = "look"
kind = "level"
severity = "warning"
channel = "current_A"
above = 7.0
"""


@pytest.fixture
def fit(stepped: tuple[Recording, HeatFit]) -> HeatFit:
    """Give a joint of 1.5 N.m/A that was never loaded with more than 12 A."""
    return stepped[1]


def test_they_are_claims_trips_ceilings_and_what_was_seen(
    fit: HeatFit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Each in the unit of the answer, the lowest first; a warning or a late trip is none."""
    recording = small_recording(tmp_path / "r", settings=CLAIMS)
    parts = play_finding().quantities[0].parts
    for value in (21.0, 22.0):
        ceiling = quantity_from_parts("peak_torque", value, "N.m", parts)
        keep_finding(tmp_path / "r", play_finding(recording, kind="ceiling", quantities=(ceiling,)))
    limits = parse_limits(LIMITS, "limits")
    monkeypatch.setattr(recording, "limit_sets", ((recording.start_ns, limits),))
    found = known_peaks(fit, [recording])
    assert [(one.source.value, one.load, one.limit) for one in found] == [
        ("recorded", pytest.approx(18.0), ""),
        ("measured", 22.0, ""),
        ("claim", 22.5, ""),
        ("claim", 24.0, ""),
        ("limit", 30.0, "over-current"),
    ]
    in_amperes = dataclasses.replace(fit, torque_per_ampere=None)
    assert [one.load for one in known_peaks(in_amperes, [recording])] == [12.0, 15.0, 20.0]


def test_what_binds_most_is_told(fit: HeatFit):
    """As fields of the answer, in its rows, and in the sentence where it is about such a load."""
    peaks = (
        PeakLoad(source=PeakSource.RECORDED, load=18.0),
        PeakLoad(source=PeakSource.CLAIM, load=24.0),
        PeakLoad(source=PeakSource.LIMIT, load=30.0, limit="over-current"),
    )
    assert first_beyond(peaks, 18.0) is None
    assert first_beyond(peaks, 40.0) == peaks[1]
    result = answer_heat(fit, limit_degC=110.0, peaks=peaks)
    told = result.to_json()
    beyond = {one["load"]: one["beyond"] for one in told["held_for"]}
    # The stated peak is a load that people ask about: it has a row of its own.
    assert beyond[24.0] == ["recorded"]
    assert beyond[30.0] == ["claim", "recorded"]
    assert [one["source"] for one in told["peaks"]] == ["recorded", "claim", "limit"]
    assert held_for_head(result)[-1] == "by heat alone: it is"
    assert [row[-1] for row in held_for_rows(result)][-3:] == [
        "beyond the stated peak of 24 N·m",
        "beyond the stated peak of 24 N·m",
        "beyond the stated peak of 24 N·m",
    ]
    assert "by heat alone" not in heat_sentence(result)
    weak = answer_heat(
        fit, limit_degC=110.0, peaks=(PeakLoad(source=PeakSource.CLAIM, load=9.0), *peaks)
    )
    assert ", by heat alone: 14.5 N·m is beyond the stated peak of 9 N·m; " in heat_sentence(weak)
    plain = answer_heat(fit, limit_degC=110.0)
    assert all("beyond" not in cell for row in held_for_rows(plain) for cell in row)


def test_amperes_stand_beside_torque(fit: HeatFit):
    """By the constant that the bench file declares; a load that is a current has none beside it."""
    result = answer_heat(fit, limit_degC=110.0)
    for one in result.to_json()["held_for"]:
        assert one["current_A"] == pytest.approx(one["load"] / 1.5)
    ambient, torque, current, *_ = for_ever_rows(result)[-1]
    assert ambient == "50 °C"
    assert float(torque.split()[0]) == pytest.approx(1.5 * float(current.split()[0]), rel=1e-3)
    bare = answer_heat(dataclasses.replace(fit, torque_per_ampere=None), limit_degC=110.0)
    assert bare.load_unit == "A"
    assert bare.to_json()["held_for"][0]["current_A"] is None
    assert len(for_ever_rows(bare)[0]) == 3


def test_times_below_each_other_have_one_unit(fit: HeatFit):
    """So that they compare at a glance: seconds and half hours are minutes."""
    result = answer_heat(fit, limit_degC=110.0)
    assert [head.rpartition(", ")[2] for head in held_for_head(result)[2:]] == ["min", "min"]
    for column in (2, 3):
        times = [float(row[column].split()[0]) for row in held_for_rows(result)]
        assert times == sorted(times, reverse=True)
        told = [one.cold_s if column == 2 else one.warm_s for one in result.held_for]
        assert times == pytest.approx([one[0] / 60.0 for one in told], rel=0.01)
