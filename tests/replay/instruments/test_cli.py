"""`dutytrace clock`: offered, moved on request with where it comes from, and taken back whole."""

import json
from pathlib import Path

import pytest

from replay.recording import Recording
from tests.support.command import assert_refused, run
from tests.support.instrument_clocks import record_pair

LATE_S = 2.4


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a recording of two minutes with an instrument whose clock is 2.4 s behind."""
    path = tmp_path_factory.mktemp("clock")
    record_pair(path / "rec", late_s=LATE_S)
    return path


def _times(path: Path) -> list[int]:
    recording = Recording.open(path)
    return recording.read_readings(
        "clamp", recording.start_ns, recording.end_ns, channels=["current_A"]
    ).time_ns.tolist()


def test_a_clock_is_offered_moved_and_moved_back(folder: Path):
    """Nothing moves unasked; what is undone is as it came, what had left the recording too."""
    before = _times(folder / "rec")
    offered = run("clock", "rec", "clamp", "--within", "20s", "--json", cwd=folder)
    assert offered.returncode == 0, offered.stderr
    answer = json.loads(offered.stdout)
    assert answer["offset_s"] == pytest.approx(LATE_S, abs=0.1)
    low, high = answer["offset_interval_s"]
    assert low <= LATE_S <= high
    assert not answer["applied"]
    assert _times(folder / "rec") == before

    moved = run("clock", "rec", "clamp", "--within", "20s", "--apply", cwd=folder)
    assert moved.returncode == 0, moved.stderr
    assert "dead time" in moved.stdout
    recording = Recording.open(folder / "rec")
    after = _times(folder / "rec")
    shift_ns = round(answer["offset_s"] * 1e9)
    assert after == [one + shift_ns for one in before if one + shift_ns < recording.end_ns]
    assert "current_A of a" in recording.bench.text
    assert f"were moved by {answer['offset_s']:+.3f} s" in recording.read_events()[-1].text
    # Compared again it is the instrument's own clock, not what was left over.
    again = json.loads(run("clock", "rec", "clamp", "--within", "20s", "--json", cwd=folder).stdout)
    assert again["offset_s"] == pytest.approx(answer["offset_s"])
    assert again["in_force"]["offset_ns"] == shift_ns

    undone = run("clock", "rec", "clamp", "--undo", cwd=folder)
    assert undone.returncode == 0, undone.stderr
    assert _times(folder / "rec") == before
    assert "clock = " not in Recording.open(folder / "rec").bench.text
    assert run("check", "rec", cwd=folder).returncode == 0
    assert_refused(run("clock", "rec", "clamp", "--undo", cwd=folder), "no correction")
    assert not (folder / "rec" / "uncorrected" / "joint=clamp").exists()


def test_what_cannot_be_compared_is_said(folder: Path):
    """No such sensor, no such channel, another instant, two wishes at once."""
    assert_refused(run("clock", "rec", "scale", cwd=folder), "no sensor scale", "clamp")
    refused = run("clock", "rec", "clamp", "--channel", "torque_Nm", cwd=folder)
    assert_refused(refused, "no torque_Nm of a", "current_A")
    assert_refused(run("clock", "rec", "clamp", "--apply", "--undo", cwd=folder), "one of the two")
