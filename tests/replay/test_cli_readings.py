"""`dutytrace reading`: what somebody typed is a sensor, in the channel's unit, at its time."""

from pathlib import Path

import numpy as np

from replay.recording import Recording
from tests.support.command import assert_refused, run
from tests.support.findings import small_recording
from tests.support.heat_recordings import START_NS

S = 10**9
CHANNEL = "temperature_ambient_degC"


def test_readings_by_hand_are_a_sensor(tmp_path: Path):
    """Typed in any order and unit; the last of one time counts; a channel is a column."""
    small_recording(tmp_path / "rec")
    for text, at in (
        (f"{CHANNEL}=295.65 kelvin", "9s"),
        (f"{CHANNEL}=21 degC", "3s"),
        (f"{CHANNEL}=21.5 degC", "3s"),
        ("torque_Nm=1500 mN.m", "5s"),
    ):
        done = run("reading", "rec", text, "--at", at, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
    recording = Recording.open(tmp_path / "rec")
    assert recording.bench.sensors == ("by-hand",)
    rows = recording.read_readings("by-hand", recording.start_ns, recording.end_ns)
    assert ((rows.time_ns - START_NS) // S).tolist() == [3, 5, 9]
    np.testing.assert_allclose(rows.columns[CHANNEL], [21.5, np.nan, 22.5])
    np.testing.assert_allclose(rows.columns["torque_Nm"], [np.nan, 1.5, np.nan])
    assert "Read off by hand" in recording.read_events()[-1].text
    assert run("check", "rec", cwd=tmp_path).returncode == 0


def test_what_is_no_reading_is_refused(tmp_path: Path):
    """A unit that does not fit, an unknown channel, no time, one outside of the recording."""
    small_recording(tmp_path / "rec")
    typed = f"{CHANNEL}=21 degC"
    for words, sentence in (
        ((f"{CHANNEL}=21 A", "--at", "3s"), "'21 A'"),
        ((f"{CHANNEL}=21", "--at", "3s"), "without a unit"),
        ((f"{CHANNEL}=900 degC", "--at", "3s"), "expected -60 to 250"),
        (("warmth=21 degC", "--at", "3s"), "'warmth'"),
        ((typed,), "--at: found none"),
        ((typed, "--at", "2h"), "within the recording"),
        ((typed, "--at", "3s", "--name", "a"), "among its joints"),
    ):
        assert_refused(run("reading", "rec", *words, cwd=tmp_path), sentence)
