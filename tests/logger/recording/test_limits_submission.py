"""Limits handed over to a recorder that runs, as a process of its own."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.store.layout.events import Event
from logger.store.repair.post_request import submit_limits
from logger.store.repair.recovery import seal
from replay.recording import Recording
from tests.support.command import run

ROOT = Path(__file__).parents[3]
BENCH = """
[bus]
interface = "virtual"
channel = "hand-over"

[[joint]]
name = "shoulder"
layout = "harvest-joint"
node = 3
"""
LIMITS = """format = 1
[[limit]]
name = "quiet"
kind = "silence"
severity = "warning"
after_s = {after}
"""


@contextmanager
def _recorder(folder: Path, *more: str) -> Iterator["subprocess.Popen[str]"]:
    process = subprocess.Popen(
        [sys.executable, "-m", "dutytrace", "record", *more],
        stdout=subprocess.PIPE,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    try:
        assert "Recording into" in process.stdout.readline()
        yield process
    finally:
        process.kill()
        process.wait(60)
        process.stdout.close()


def _told(path: Path) -> list[Event]:
    return [
        event for event in Recording.open(path).read_events() if event.kind.startswith("limits")
    ]


def _until(true: Callable[[], bool], within_s: float = 60.0) -> None:
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s
        time.sleep(0.05)


def test_they_are_taken_over_and_the_file_counts_when_it_is_saved(tmp_path: Path):
    """The unchanged file undoes nothing; a save of it does, though it says what it said before."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    file = tmp_path / "limits.toml"
    file.write_text(LIMITS.format(after=3000), encoding="utf-8")
    path = tmp_path / "rec"
    with _recorder(tmp_path, "bench.toml", "--out", "rec", "--limits", "limits.toml") as process:
        handed = LIMITS.format(after=0.3) + "# by hand\n\n"
        submit_limits(path, text=handed, who="eva")
        _until(lambda: len(_told(path)) == 1)
        _until(lambda: any(event.kind == "raised" for event in Recording.open(path).read_events()))
        time.sleep(1.2)
        (event,) = _told(path)
        assert (event.kind, event.who) == ("limits taken over", "eva")
        assert event.text == "Handed over: other limits are in force from here on: quiet."
        assert Recording.open(path).limit_sets[-1] == (event.time_ns, Recording.open(path).limits)
        assert Recording.open(path).limits.text == handed
        # Renamed into place: the recorder may look while a file that is written is still empty.
        (tmp_path / "saved").write_text(LIMITS.format(after=3000), encoding="utf-8")
        (tmp_path / "saved").rename(file)
        _until(lambda: len(_told(path)) == 2)
        assert Recording.open(path).limits.text == LIMITS.format(after=3000)
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
    recording = Recording.open(path)
    assert [event.who for event in _told(path)] == ["eva", ""]
    assert [(one.kind, one.limit) for one in recording.read_events() if one.limit] == [
        ("raised", "quiet"),
        ("returned", "quiet"),
    ]


def test_a_recorder_that_is_killed_goes_on_with_what_was_last_in_force(tmp_path: Path):
    """What it took lives on; what it did not is said to be refused, once."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    path = tmp_path / "rec"
    with _recorder(tmp_path, "bench.toml", "--out", "rec") as process:
        submit_limits(path, text=LIMITS.format(after=1000), who="eva")
        _until(lambda: len(_told(path)) == 1)
        process.send_signal(signal.SIGSTOP)
        submit_limits(path, text=LIMITS.format(after=2000), who="ada")
        process.kill()
        process.wait(60)
    assert seal(path)
    assert not seal(path)
    assert [(event.kind, event.who) for event in _told(path)] == [
        ("limits taken over", "eva"),
        ("limits refused", "ada"),
    ]
    ended = run("record", "--continue", "rec", "--duration", "0.5s", cwd=tmp_path)
    assert ended.returncode == 0, ended.stderr
    assert Recording.open(path).limits.text == LIMITS.format(after=1000)
    assert len(_told(path)) == 2
