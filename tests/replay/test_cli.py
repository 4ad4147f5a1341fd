"""The commands over recordings: what they say of damage, JSON that stays JSON, requests."""

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import replay.cli
import replay.excursions.recorded
from logger.simulate import scenario
from logger.store.repair.post_request import submit_request
from replay.recording import Recording
from tests.support.command import assert_refused, run

BENCH = scenario.scenario_bench_text("/nowhere/line")
HOUSING = "temperature_housing_degC"


def test_a_damaged_recording_is_a_sentence(tmp_path: Path, overheat: Recording):
    """A manifest that is no JSON, of another format, or without its bench: each command says so."""
    path = tmp_path / "rec"
    path.mkdir()
    manifest = json.loads((overheat.path / "recording.json").read_text(encoding="utf-8"))
    for content in (
        "{",
        "[]",
        json.dumps({**manifest, "format": 99}),
        json.dumps({**manifest, "bench": "[bus"}),
        json.dumps({key: value for key, value in manifest.items() if key != "layouts"}),
    ):
        (path / "recording.json").write_text(content, encoding="utf-8")
        assert_refused(run("check", str(path)), "rec")
    assert_refused(run("seal", str(path)), "rec")
    assert_refused(run("note", str(path), "text"), "rec")
    assert [file.name for file in path.iterdir()] == ["recording.json"]


def test_answers_in_json(overheat: Recording, tmp_path: Path):
    """check, excursions and decode: format 1, units in the keys, times in ISO 8601 UTC."""
    done = run("check", str(overheat.path), "--json")
    assert done.returncode == 0
    found = json.loads(done.stdout)
    assert found["format"] == 1
    assert found["whole"] is True
    assert found["joints"]["shoulder"]["rows"] > 1000
    assert (found["frames"], found["dropped"], found["gaps"], found["missing"]) == (
        overheat.row_count("frames"), 0, [], [],
    )  # fmt: skip

    found = json.loads(run("excursions", str(overheat.path), "--json").stdout)
    assert found["format"] == 1
    hot = [one for one in found["excursions"] if one["limit"] == "housing-hot"]
    assert len(hot) == 1
    assert hot[0]["start"].endswith("Z")
    assert set(hot[0]["rms_torque_Nm"]) == {"60", "300", "900"}

    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    done = run("decode", str(tmp_path / "bench.toml"), "0x4D6", "60C9 56 00 4F", "--json")
    found = json.loads(done.stdout)
    places = [one["of"] for one in found.pop("bytes")]
    assert places[:2] == [["voltage_V"], ["match", "voltage_V"]]
    assert found.pop("values")[-1] == {
        "name": HOUSING, "raw": 79, "bits": 8, "how": "- 55", "result": 24.0, "unit": "Cel",
        "words": "",
    }  # fmt: skip
    assert (found.pop("bus"), found.pop("said")) == ("bus", [])
    assert found == {
        "format": 1,
        "joint": "shoulder",
        "frame": "health",
        "readings": {
            "temperature_housing_degC": 24.0,
            "temperature_drive_degC": 31.0,
            "voltage_V": 48.0,
            "fault_code": 0.0,
        },
    }


def test_a_recording_that_is_not_whole_ends_with_status_1(tmp_path: Path, overheat: Recording):
    """`check` says what is missing, in words and in JSON, and its exit status tells a script."""
    path = tmp_path / "cut"
    shutil.copytree(overheat.path, path)
    (next((path / "status" / "joint=elbow").glob("*.parquet"))).unlink()
    done = run("check", str(path))
    assert done.returncode == 1
    assert "not whole" in done.stdout
    done = run("check", str(path), "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["whole"] is False


def test_a_peak_that_is_not_known_is_null(
    overheat: Recording, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    """NaN is no JSON: what is not known is null."""
    found = replay.excursions.recorded.recorded_excursions(overheat)
    monkeypatch.setattr(
        replay.excursions.recorded,
        "recorded_excursions",
        lambda *_: [replace(found[0], peak=math.nan)],
    )
    replay.cli.list_excursions(str(overheat.path), None, as_json=True)

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    answer = json.loads(capsys.readouterr().out, parse_constant=refuse)
    assert answer["format"] == 1
    assert answer["excursions"][0]["peak"] is None


def test_notes_and_acknowledgements_from_the_command_line(tmp_path: Path):
    """They become events of a finished recording; an unknown alert is refused."""
    path = tmp_path / "rec"
    done = run("simulate", "--hours", "0.5", "--rate", "10", "--seed", "7", "--out", str(path))
    assert done.returncode == 0, done.stderr
    trip = next(a for a in Recording.open(path).read_alerts() if a.severity == "trip")
    assert run("note", str(path), "smelt warm").returncode == 0
    assert run("acknowledge", str(path), str(trip.number), "--who", "h").returncode == 0
    assert_refused(run("acknowledge", str(path), "999"), "found alert 999")
    after = Recording.open(path)
    assert any(event.text == "smelt warm" for event in after.read_events())
    acknowledged = next(a for a in after.read_alerts() if a.number == trip.number)
    assert acknowledged.acknowledged_by == "h"
    submit_request(path, kind="note", text="and again")
    assert [event.sequence for event in Recording.open(path).read_events()] == list(
        range(len(Recording.open(path).read_events()))
    )
