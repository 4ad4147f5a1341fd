"""`dutytrace record`: what cannot be recorded is refused before a bus is touched."""

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import record as record_command
from logger.event_kind import EventKind
from logger.limits.limit import LimitSet
from logger.notify.day_verdict import DayVerdict
from logger.recording.record_settings import RecordSettings
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.lock import writer_pid
from logger.store.layout.manifest import read_manifest
from tests.support.command import ROOT, assert_refused, run
from tests.support.followed_plan import BENCH as ONE_JOINT

BENCH = scenario.scenario_bench_text("/nowhere/line")
LAYOUT = scenario.scenario_layout_text()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('interface = "slcan"', 'interface = "slcam"', ["bus.interface", "'slcam'", "'slcan'"]),
        ("", "", ["cannot open '/nowhere/line'", "plugged in"]),
        ('interface = "slcan"', 'interface = "socketcan"', ["socketcan cannot open"]),
        ("node       = 4", "node       = 3", ["both claim", "0x4D6"]),
        ("[bus]", "[bus", ["not valid TOML", "line"]),
        ("gear_ratio = 9.0", "gear_ration = 9.0", ["gear_ration", "gear_ratio"]),
        ("bitrate   = 1_000_000", "bitrate   = 0", ["bus.bitrate"]),
        ('layout     = "harvest-joint"', 'layout     = "../secret"', ["'../secret'", "layout"]),
        ('name       = "elbow"', 'name       = "../elbow"', ["name", "'../elbow'"]),
        ('name       = "elbow"', 'name       = "shoulder"', ["'shoulder' twice"]),
    ],
)
def test_a_bench_that_cannot_be_recorded(tmp_path: Path, old: str, new: str, words: list[str]):
    """Unknown interface, missing adapter, wrong channel, identifiers claimed twice."""
    (tmp_path / "bench.toml").write_text(BENCH.replace(old, new, 1), encoding="utf-8")
    done = run("record", "bench.toml", cwd=tmp_path)
    assert_refused(done, "bench.toml", *words)
    assert not (tmp_path / "recordings").exists()


def test_a_layout_and_limits_that_cannot_be_read(tmp_path: Path):
    """Bits past the frame, and limits that are no TOML: before the bus is touched."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "limits.toml").write_text("[[limit]\n", encoding="utf-8")
    assert_refused(
        run("record", "bench.toml", "--limits", "limits.toml", cwd=tmp_path), "limits.toml"
    )
    (tmp_path / "harvest-joint.toml").write_text(
        LAYOUT.replace("length     = 6", "length     = 5", 1), encoding="utf-8"
    )
    assert_refused(run("record", "bench.toml", cwd=tmp_path), "harvest-joint", "reaches byte 5")
    (tmp_path / "harvest-joint.toml").write_text(
        LAYOUT.replace("byte    = 4\n  bits    = 15", "byte    = 3\n  bits    = 15", 1),
        encoding="utf-8",
    )
    assert_refused(run("record", "bench.toml", cwd=tmp_path), "harvest-joint", "already taken")
    (tmp_path / "harvest-joint.toml").write_bytes(b"\xff")
    assert_refused(run("record", "bench.toml", cwd=tmp_path), "harvest-joint.toml", "UTF-8")
    assert not (tmp_path / "recordings").exists()


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (b"\xff\xfe", ["UTF-8"]),
        (b"format = 2", ["format"]),
        (b'format = 1\n[[limit]]\nname = "a"\nkind = "level"\n', ["severity"]),
        (
            b'format = 1\n[[limit]]\nname = "a"\nkind = "level"\nseverity = "trip"\n'
            b'channel = "temperature_housing"\nabove = 1.0\n',
            ["temperature_housing", "temperature_housing_degC"],
        ),
        (
            b'format = 1\n[[limit]]\nname = "a"\nkind = "level"\nseverity = "trip"\n'
            b'joint = "wrist"\nchannel = "torque_Nm"\nabove = 1.0\n',
            ["'wrist'", "shoulder"],
        ),
        (None, ["no such limits file"]),
    ],
)
def test_limits_that_cannot_be_used(tmp_path: Path, limits: bytes | None, words: list[str]):
    """Unreadable, of another format, unfinished, of a channel or a joint that there is none of."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    if limits is not None:
        (tmp_path / "limits.toml").write_bytes(limits)
    done = run("record", "bench.toml", "--limits", "limits.toml", cwd=tmp_path)
    assert_refused(done, "limits.toml", *words)
    assert not (tmp_path / "recordings").exists()


def test_a_recordings_folder_that_cannot_be_written(bench, tmp_path: Path):
    """With joints that answer: refused before a frame is recorded, the adapter given back."""
    bench.joints()
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = run("record", str(bench.bench), "--recordings", str(tmp_path / "file"))
    assert_refused(done, "cannot be made", "--out")
    assert (tmp_path / "file").read_text(encoding="utf-8") == ""
    done = run("demo", "--no-browser", "--port", "0", "--recordings", str(tmp_path / "file"))
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr


SILENT_BENCH = """
[bus]
interface = "virtual"
channel   = "held-terminal"

[[joint]]
name   = "elbow"
layout = "harvest-joint"
node   = 3
"""


# What runs when a library warns on the receiving thread at each of its calls.
WARNING_RECORDER = """
import logging, pathlib, sys
from logger.bus.source import Source
wait, calls = Source.wait, []
def warn_and_wait(self, wait_s):
    logging.getLogger("can.interface").warning("a frame was odd")
    calls.append(wait_s)
    if len(calls) == 3:
        pathlib.Path("received").touch()
    return wait(self, wait_s)
Source.wait = warn_and_wait
from dutytrace import main
sys.argv[0] = "dutytrace"
main()
"""


def _full_pipe() -> tuple[int, int]:
    """Return the ends of a pipe that takes nothing more."""
    read_end, write_end = os.pipe()
    os.set_blocking(write_end, False)
    with contextlib.suppress(BlockingIOError):
        while os.write(write_end, b"x" * 4096):
            pass
    os.set_blocking(write_end, True)
    return read_end, write_end


@pytest.mark.parametrize("ended_by", ["duration", "signal"])
def test_output_that_nobody_reads_holds_up_nothing(tmp_path: Path, ended_by: str):
    """Pipes that are full from the start: it records, ends when asked to, and gives the lock."""
    (tmp_path / "bench.toml").write_text(SILENT_BENCH, encoding="utf-8")
    (tmp_path / "harvest-joint.toml").write_text(LAYOUT, encoding="utf-8")
    read_end, write_end = _full_pipe()
    more = ["--duration", "1 s"] if ended_by == "duration" else []
    recording = tmp_path / "rec"
    recorder = subprocess.Popen(
        [sys.executable, "-c", WARNING_RECORDER, "record", "bench.toml", "--out", "rec", *more],
        stdout=write_end,
        stderr=write_end,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    try:
        if ended_by == "signal":
            until_s = time.monotonic() + 60
            while not (tmp_path / "received").exists() and time.monotonic() < until_s:
                assert recorder.poll() is None
                time.sleep(0.05)
            recorder.terminate()
        assert recorder.wait(60) == 0
    finally:
        recorder.kill()
        recorder.wait()
        os.close(read_end)
        os.close(write_end)
    assert writer_pid(recording) is None
    assert read_manifest(recording).end_cause
    assert (tmp_path / "received").exists(), "the receiving thread waited for its own warning"


def test_a_plan_that_would_never_end_is_refused(tmp_path: Path):
    """What no joint of the bench reports, a plan without an end, one that is not there."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    head = 'format = 1\nname = "n"\njoint = "elbow"\n[[stage]]\nname = "s"\n'
    plan = tmp_path / "plan.toml"
    for text, words in (
        (head, ["plan.toml", "no end"]),
        (head + 'cycles = 5\nwatch = ["rms_torq_Nm"]\n', ["plan.toml", "rms_torq_Nm"]),
    ):
        plan.write_text(text, encoding="utf-8")
        assert_refused(run("record", "bench.toml", "--plan", "plan.toml", cwd=tmp_path), *words)
    assert_refused(run("record", "bench.toml", "--plan", "none.toml", cwd=tmp_path), "none.toml")
    assert not (tmp_path / "recordings").exists()


def test_one_command_begins_a_recording_and_continues_it(tmp_path: Path):
    """As a service does at each boot; a name counts when it begins, and a typed folder is kept."""
    (tmp_path / "bench.toml").write_text(SILENT_BENCH, encoding="utf-8")
    (tmp_path / "harvest-joint.toml").write_text(LAYOUT, encoding="utf-8")
    # What a power cut in the first instant leaves.
    (tmp_path / "rec" / "journal").mkdir(parents=True)
    command = ["record", "bench.toml", "--continue", "rec", "--name", "soak", "--duration", "0.2s"]
    for _ in range(2):
        done = run(*command, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
    manifest = read_manifest(tmp_path / "rec")
    assert manifest.name == "soak"
    assert len(manifest.resumed) == 1
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "notes.txt").write_text("x", encoding="utf-8")
    assert_refused(run("record", "bench.toml", "--continue", "other", cwd=tmp_path), "other")
    assert (tmp_path / "other" / "notes.txt").exists()


def test_a_day_that_is_over_is_told_with_what_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Once it is judged; what else happens is told meanwhile."""
    judged = threading.Event()

    class Judge:
        def judge(self, _recording: Path, _joint: str) -> DayVerdict:
            assert judged.wait(60)
            return DayVerdict(text="nothing changed", changed=())

        def stop(self) -> None: ...

    (tmp_path / "tell.toml").write_text(
        'format = 1\n[[webhook]]\nname = "desk"\nurl = "http://127.0.0.1:9/"\n'
        'of = ["day over", "ended"]\n',
        encoding="utf-8",
    )
    desk = tmp_path / "tell.toml.waiting" / "desk"

    def record_one_day(
        _settings: RecordSettings, *, on_event: Callable[[Event], None], **_more: object
    ) -> None:
        for number, kind in enumerate((EventKind.DAY_OVER, EventKind.ENDED), 1):
            on_event(Event(sequence=number, time_ns=1, kind=kind, joint="a", text="a: day 12"))
        assert [json.loads(one.read_text())["kind"] for one in desk.glob("[0-9]*")] == ["ended"]
        judged.set()

    monkeypatch.setattr("logger.recording.recorder.record", record_one_day)
    monkeypatch.setattr("logger.notify.day_verdict.JudgeProcess", Judge)
    monkeypatch.setattr(record_command, "stop_on_signals", threading.Event)
    monkeypatch.setattr(record_command, "limit_heap_growth", lambda: None)
    monkeypatch.setattr("gc.freeze", lambda: None)
    settings = RecordSettings(
        bench=ONE_JOINT,
        where="bench.toml",
        limits=LimitSet(),
        out=tmp_path / "rec",
        name="Endurance",
    )
    record_command._record(settings, None, tmp_path / "tell.toml")
    day = json.loads(sorted(desk.glob("[0-9]*"))[1].read_text())
    assert (day["text"], day["changed"]) == ("a: day 12, nothing changed", [])
