"""Notes and what is done to alerts, by command, in recordings that are live and that have ended."""

import math
import shutil
from pathlib import Path

import pytest

from logger.store.layout.manifest import iso_utc
from replay.recording import Recording
from tests.support.command import assert_refused, run

S = 1_000_000_000


@pytest.fixture
def path(tmp_path: Path, overheat: Recording) -> Path:
    """Give a copy of the overheat that may be written to."""
    return Path(shutil.copytree(overheat.path, tmp_path / "rec"))


@pytest.mark.parametrize("form", ["from its start", "ISO 8601"])
def test_a_note_stands_at_the_time_that_it_tells_of(path: Path, form: str):
    """And how long afterwards it was written stands with it."""
    began = Recording.open(path).start_ns
    at = "90.5s" if form == "from its start" else iso_utc(began + 90_500_000_000)
    done = run("note", str(path), "fan off", "--at", at, "--who", "eva")
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
    event = Recording.open(path).read_events()[-1]
    assert (event.kind, event.text, event.who) == ("note", "fan off", "eva")
    assert abs(event.time_ns - began - 90_500_000_000) < 2
    assert event.duration_s > 60


def test_a_note_without_a_time_on_one_that_has_ended_says_where_it_stands(path: Path):
    """After its end, by the clock of now."""
    done = run("note", str(path), "looked at again")
    assert done.returncode == 0, done.stderr
    assert "this recording has ended" in done.stdout
    assert "--at" in done.stdout
    event = Recording.open(path).read_events()[-1]
    assert math.isnan(event.duration_s)


@pytest.mark.parametrize("at", ["2001-01-01T00:00:00Z", "30d", "soon"])
def test_a_time_outside_of_the_recording_is_refused(path: Path, at: str):
    """Nothing is written."""
    before = Recording.open(path).read_events()
    assert_refused(run("note", str(path), "x", "--at", at), "--at: found")
    assert Recording.open(path).read_events() == before


def test_shelving_where_nobody_records_says_that_it_does_nothing(path: Path):
    """It is kept all the same, for whoever resumes the recording."""
    done = run("shelve", str(path), "1", "--for", "10min")
    assert done.returncode == 0, done.stderr
    assert "this silences nothing" in done.stdout
    assert Recording.open(path).read_events()[-1].kind == "shelved"
