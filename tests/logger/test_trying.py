"""A layout tried while it is being edited: a real process, a real file, a real bus."""

import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.command import run

ROOT = Path(__file__).parents[2]
LAYOUT = """
format = 1
name = "mine"
[[frame]]
name = "status"
identifier = "0x280 + node"
length = 2
  [[frame.value]]
  channel = "temperature_housing_degC"
  byte = {byte}
  bits = 8
"""
LOG = "".join(f"({1_700_000_000 + at / 100:.6f}) can0 283#{at % 90:02X}18\n" for at in range(200))
LOG += "(1700000009.000000) can0 3FF#AA\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with a layout and a log."""
    (tmp_path / "mine.toml").write_text(LAYOUT.format(byte=0), encoding="utf-8")
    (tmp_path / "night.log").write_text(LOG, encoding="utf-8")
    return tmp_path


def _command(*words: str) -> list[str]:
    return [sys.executable, "-m", "dutytrace", "layout", "try", *words]


def _once(folder: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    return run("layout", "try", *words, "--once", cwd=folder)


def test_a_log_once(folder: Path):
    """Kinds with their period, channels with their range, what nobody decodes with an example."""
    done = _once(folder, "mine.toml", "--log", "night.log", "--node", "3")
    assert done.returncode == 0, done.stderr
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert "joint status 200 0.01" in lines
    assert "joint temperature_housing_degC 200 19 0 89 89 -" in lines
    assert "not decoded: identifier of no joint 1" in lines
    assert "0x3FF 1 AA" in lines


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["mine.toml"], "found neither --log nor --bench"),
        (["nowhere.toml", "--log", "night.log"], "there is no such layout file."),
        (["mine.toml", "--log", "nowhere.log"], "nowhere.log"),
    ],
)
def test_what_it_cannot_begin_with(folder: Path, words: list[str], sentence: str):
    """One clear line, exit status 2."""
    done = _once(folder, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr


class _Lines:
    """The lines of a process, as they come."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.process = process
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(" ".join(line.split()))

    def wait_for(self, text: str) -> None:
        until_s = time.monotonic() + 20
        while not any(text in line for line in self.lines):
            assert time.monotonic() < until_s, (text, self.lines[-20:])
            time.sleep(0.02)
        found = next(place for place, line in enumerate(self.lines) if text in line)
        del self.lines[: found + 1]


@pytest.fixture
def started() -> Iterator[list["subprocess.Popen[str]"]]:
    """End by its pid what a test started."""
    processes: list[subprocess.Popen[str]] = []
    yield processes
    for process in processes:
        if process.poll() is None:
            process.kill()
        process.wait(10)
        if process.stdout is not None:
            process.stdout.close()


def _start(
    folder: Path, started: list["subprocess.Popen[str]"], *words: str
) -> "subprocess.Popen[str]":
    process = subprocess.Popen(
        _command(*words),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    started.append(process)
    return process


def test_each_save_is_read_and_a_mistake_leaves_what_was(
    folder: Path, started: list["subprocess.Popen[str]"]
):
    """Edit, save, see; a mistake is its sentence, with the last good figures; Ctrl-C ends it."""
    process = _start(folder, started, "mine.toml", "--log", "night.log", "--node", "3")
    shown = _Lines(process)
    shown.wait_for("temperature_housing_degC 200 19 0 89 89 -")
    # Written aside and renamed, as many editors do.
    (folder / "mine.new").write_text(LAYOUT.format(byte=1), encoding="utf-8")
    (folder / "mine.new").rename(folder / "mine.toml")
    shown.wait_for("temperature_housing_degC 200 24 24 24 0 -")
    (folder / "mine.toml").write_text(LAYOUT.format(byte=7), encoding="utf-8")
    shown.wait_for("reaches byte 7, but the frame has 2 bytes")
    shown.wait_for("temperature_housing_degC 200 24 24 24 0 -")
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == 0


def test_a_live_bus(folder: Path, started: list["subprocess.Popen[str]"]):
    """The buses of a bench, listened to only: not a byte but the adapter's set-up is written."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    (folder / "bench.toml").write_text(
        f'[bus]\ninterface = "slcan"\nchannel = "{os.ttyname(theirs)}"\nbitrate = 500000\n'
        'send = true\n[[joint]]\nname = "elbow"\nlayout = "mine"\nnode = 3\n',
        encoding="utf-8",
    )
    process = _start(folder, started, "mine.toml", "--bench", "bench.toml")
    shown = _Lines(process)
    shown.wait_for("elbow temperature_housing_degC 0")
    os.write(ours, b"t28322A18\r" * 3)
    shown.wait_for("elbow temperature_housing_degC 3 42 42 42 0 -")
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == 0
    sent = os.read(ours, 1000)
    assert b"L\r" in sent
    assert not {line[:1] for line in sent.split(b"\r")} & {b"t", b"T", b"r", b"R"}
    os.close(ours)
    os.close(theirs)
