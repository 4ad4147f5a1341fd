"""`dutytrace bus`: a real byte path, a verdict in the exit status, the same in JSON."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.serial_line import SerialLine
from tests.support.adapter import Adapter
from tests.support.command import ROOT

BENCH = """
[bus]
interface = "slcan"
channel   = "{line}"
bitrate   = 500_000
[[joint]]
name   = "shoulder"
layout = "talks"
node   = 3
[[joint]]
name   = "elbow"
layout = "talks"
node   = {elbow}
"""
LAYOUT = """
format = 1
name   = "talks"
[[frame]]
name       = "status"
identifier = "0x280 + node"
length     = 3
period_s   = 0.1
[[frame.value]]
channel = "current_A"
byte    = 1
bits    = 16
"""


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Give a folder with a bench, and two joints that talk by themselves on its serial line."""
    (tmp_path / "talks.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(
        BENCH.format(line=tmp_path / "line", elbow=4), encoding="utf-8"
    )
    done = threading.Event()
    with SerialLine(tmp_path / "line") as line:
        adapter = LineProtocol(lambda _frame: ())

        def run() -> None:
            count, due_s = 0, time.monotonic()
            while not done.is_set():
                line.write(adapter.feed_bytes(line.read(timeout_s=0.005)))
                if time.monotonic() >= due_s:
                    # So slow that a bus is healthy on which a busy machine held them up for a
                    # second: ten periods.
                    due_s += 0.1
                    count += 1
                    data = bytes([0, count % 256, 1])
                    line.write(
                        adapter.frame_lines(
                            [CanFrame(identifier=number, data=data) for number in (0x283, 0x284)]
                        )
                    )

        joints = threading.Thread(target=run)
        joints.start()
        yield tmp_path
        done.set()
        joints.join()


def _command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "dutytrace", "bus", *arguments]


ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


def _run(*arguments: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        _command(*arguments),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=cwd,
        env=ENVIRONMENT,
    )


def test_a_healthy_bus_ends_with_status_0(folder: Path):
    """Both joints with their period, the load, no hint; the table says the same."""
    done = _run("bench.toml", "--for", "1s", "--json", cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(done.stdout)
    assert (found["format"], found["healthy"], found["said"]) == (1, True, [])
    (bus,) = found["buses"]
    assert bus["hints"] == bus["silent_joints"] == []
    assert bus["bitrate_bit_per_s"] == 500_000
    assert 0.001 < bus["load"] < 0.006
    assert [one["identifier"] for one in bus["identifiers"]] == ["0x283", "0x284"]
    assert [one["joints"] for one in bus["identifiers"]] == [["shoulder"], ["elbow"]]
    assert all(0.05 < one["period_s"] < 0.25 for one in bus["identifiers"])

    done = _run("bench.toml", "--for", "1s", cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    for words in ("nothing is sent", "0x283", "shoulder", "status", "load", "Healthy."):
        assert words in done.stdout


def test_a_silent_joint_ends_with_status_1(folder: Path):
    """Its name, where to look, and whose frames are nobody's."""
    (folder / "bench.toml").write_text(
        BENCH.format(line=folder / "line", elbow=7), encoding="utf-8"
    )
    done = _run("bench.toml", "--for", "1s", cwd=folder)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "Silent: elbow" in done.stdout
    assert "Hint: elbow is silent while others talk" in done.stdout
    assert "Not decoded: identifier of no joint" in done.stdout
    assert "Healthy." not in done.stdout


def test_much_that_nobody_claims_is_said_beside_the_verdict(folder: Path):
    """Frames of other nodes are no fault: status 0, and no plain "Healthy."."""
    bench = BENCH.partition('[[joint]]\nname   = "elbow"')[0].format(line=folder / "line")
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    done = _run("bench.toml", "--for", "1s", cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Healthy." not in done.stdout
    assert "No fault found, but: 50% of the frames are not decoded" in done.stdout
    assert "(0x284)" in done.stdout


def test_ended_early_with_what_was_heard(folder: Path):
    """Ctrl-C is the end of listening, not of the answer."""
    with subprocess.Popen(
        _command("bench.toml", "--for", "5min"),
        stdout=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=ENVIRONMENT,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("Listening for 300 s")
        time.sleep(2.0)
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert "Healthy." in said


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nothing.toml"], "nothing.toml"),
        (["bench.toml", "--for", "soon"], "--for: found 'soon'"),
        (["bench.toml", "--for", "2h"], "expected at most 5min"),
        (["gone.toml"], "cannot open '/nowhere/line'"),
    ],
)
def test_wrong_input_ends_with_status_2(tmp_path: Path, arguments: list[str], words: str):
    """One sentence on standard error, before anything is opened where it can be known."""
    (tmp_path / "talks.toml").write_text(LAYOUT, encoding="utf-8")
    for name in ("bench", "gone"):
        (tmp_path / f"{name}.toml").write_text(
            BENCH.format(line="/nowhere/line", elbow=4), encoding="utf-8"
        )
    done = _run(*arguments, cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert done.stderr.startswith("dutytrace: ")
    assert words in done.stderr
    assert "Traceback" not in done.stderr


ASKED = """
format = 1
name   = "talks"
[[request]]
name       = "ask"
identifier = "0x180 + node"
data       = "00"
period_s   = 0.02
[[frame]]
name       = "status"
identifier = "0x280 + node"
length     = 3
period_s   = 0.02
"""


def test_requests_that_a_controller_leaves_unanswered_are_told(tmp_path: Path):
    """Per joint in the table and in JSON; nothing is sent for it."""
    (tmp_path / "talks.toml").write_text(ASKED, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(
        BENCH.format(line=tmp_path / "line", elbow=4), encoding="utf-8"
    )
    count = 0

    def talk() -> list[CanFrame]:
        nonlocal count
        count += 1
        said = [CanFrame(identifier=number, data=b"\x00") for number in (0x183, 0x184)]
        said.append(CanFrame(identifier=0x283, data=bytes(3)))
        # The elbow answers every other request.
        return said + [CanFrame(identifier=0x284, data=bytes(3))] * (count % 2)

    with Adapter(tmp_path / "line", talk=talk, every_s=0.02) as adapter:
        done = _run("bench.toml", "--for", "1s", "--json", cwd=tmp_path)
        assert done.returncode == 1, done.stdout + done.stderr
        (bus,) = json.loads(done.stdout)["buses"]
        assert bus["unanswered"]["shoulder"] == 0
        asked, missed = bus["requests"]["elbow"], bus["unanswered"]["elbow"]
        assert 10 < asked <= count
        assert missed == pytest.approx(asked / 2, abs=2)
        assert any("Requests without an answer: elbow" in hint for hint in bus["hints"])
        done = _run("bench.toml", "--for", "1s", cwd=tmp_path)
        assert "requested by another node" in done.stdout
        assert adapter.heard == []
