"""A layout tried while it is being edited: a real process, a real file, a real bus."""

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.command import run

ROOT = Path(__file__).parents[3]
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
# A key that is typed becomes a signal only on a process's own terminal.
OWN_TERMINAL = (
    "import fcntl, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
    "sys.argv[0] = 'dutytrace'; import dutytrace; dutytrace.main()"
)
BENCH = """
[bus]
interface = "virtual"
channel = "nobody-talks"
[[joint]]
name = "elbow"
layout = "mine"
node = 3
[[joint]]
name = "knee"
layout = "mine"
node = 4
"""
LOG = "".join(f"({1_700_000_000 + at / 100:.6f}) can0 283#{at % 90:02X}18\n" for at in range(200))
LOG += "(1700000009.000000) can0 3FF#AA\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with a layout and a log."""
    (tmp_path / "mine.toml").write_text(LAYOUT.format(byte=0), encoding="utf-8")
    (tmp_path / "night.log").write_text(LOG, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
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
    assert "joint temperature_housing_degC 200 - 19 0 89 89 -" in lines
    assert "not decoded: identifier of no joint 1" in lines
    assert "0x3FF 1 identifier of no joint AA" in lines


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["mine.toml"], "found neither --log nor --bench"),
        (["nowhere.toml", "--log", "night.log"], "there is no such layout file."),
        (["mine.toml", "--log", "nowhere.log"], "nowhere.log"),
        (["mime", "--log", "night.log"], "found 'mime', expected a layout file, or the name of"),
        (["mime", "--log", "night.log"], "Did you mean 'mine'?"),
        (["mine", "--log", "night.log", "--joint", "knee"], "--joint: found without --bench"),
        (["mine", "--bench", "bench.toml", "--joint", "elbo"], "Did you mean 'elbow'?"),
        (["mine", "--bench", "nowhere.toml"], "nowhere.toml: there is no such bench file."),
        (["harvest-joint", "--bench", "bench.toml"], "found no joint with the layout"),
    ],
)
def test_what_it_cannot_begin_with(folder: Path, words: list[str], sentence: str):
    """One clear line, exit status 2."""
    done = _once(folder, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr


def test_by_its_name_and_of_one_joint(folder: Path):
    """A name is looked for as the bench file looks for it; of two joints one is shown."""
    done = _once(folder, "mine", "--log", "night.log", "--bench", "bench.toml", "--joint", "elbow")
    assert done.returncode == 0, done.stderr
    assert "elbow" in done.stdout
    assert "knee" not in done.stdout
    shipped = _once(folder, "harvest-joint", "--log", "night.log", "--node", "3")
    assert shipped.returncode == 0, shipped.stderr


def test_a_layout_from_elsewhere(folder: Path):
    """The file that is named counts, not the one of that name beside the bench file."""
    (folder / "draft").mkdir()
    (folder / "draft" / "mine.toml").write_text(LAYOUT.format(byte=1), encoding="utf-8")
    done = _once(folder, "draft/mine.toml", "--log", "night.log", "--bench", "bench.toml")
    assert "temperature_housing_degC 200 - 24 24" in " ".join(done.stdout.split())


def test_a_log_that_is_longer_says_so(folder: Path):
    """What was left out is told, with the option that takes it."""
    done = _once(folder, "mine", "--log", "night.log", "--node", "3", "--frames", "50")
    assert done.stdout.endswith(
        "50 frames; the layout was read once. The log goes on; --frames takes more.\n"
    )
    whole = _once(folder, "mine", "--log", "night.log", "--node", "3", "--frames", "201")
    assert whole.stdout.endswith("201 frames; the layout was read once.\n")


def test_once_ends_on_a_bus_that_is_silent(folder: Path):
    """A script is answered after two seconds, whether anybody talks or not."""
    done = _once(folder, "mine", "--bench", "bench.toml")
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("0 frames; the layout was read once.\n")


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
        until_s = time.monotonic() + 60
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
        process.wait(60)
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
    shown.wait_for("temperature_housing_degC 200 - 19 0 89 89 -")
    # Written aside and renamed, as many editors do.
    (folder / "mine.new").write_text(LAYOUT.format(byte=1), encoding="utf-8")
    (folder / "mine.new").rename(folder / "mine.toml")
    shown.wait_for("temperature_housing_degC 200 - 24 24 24 0 -")
    (folder / "mine.toml").write_text(LAYOUT.format(byte=7), encoding="utf-8")
    shown.wait_for("reaches byte 7, but the frame has 2 bytes")
    shown.wait_for("temperature_housing_degC 200 - 24 24 24 0 -")
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 0


def test_a_mistake_from_the_beginning_is_waited_for(
    folder: Path, started: list["subprocess.Popen[str]"]
):
    """A layout that was never right is told, and read at the save that mends it."""
    (folder / "mine.toml").write_text(LAYOUT.format(byte=7), encoding="utf-8")
    process = _start(folder, started, "mine.toml", "--log", "night.log", "--bench", "bench.toml")
    shown = _Lines(process)
    shown.wait_for("mine.toml: frame[1]: frame 'status': temperature_housing_degC: reaches byte 7")
    shown.wait_for("Waiting for a save that corrects it.")
    (folder / "mine.toml").write_text(LAYOUT.format(byte=0), encoding="utf-8")
    shown.wait_for("elbow temperature_housing_degC 200 - 19 0 89 89 -")
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 0


def test_in_place_on_a_terminal(folder: Path):
    """The table is drawn over itself; Ctrl-C, typed, ends it with 0."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-c", OWN_TERMINAL, "layout", "try", "mine.toml", "--log", "night.log",
         "--node", "3"],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm"},
    )  # fmt: skip
    os.close(theirs)
    screen = b""

    def wait_for(text: bytes) -> None:
        nonlocal screen
        until_s = time.monotonic() + 60
        while text not in screen:
            assert time.monotonic() < until_s, screen[-2000:]
            if select.select([ours], [], [], 0.1)[0]:
                screen += os.read(ours, 65536)

    try:
        wait_for(b"the layout was read once.")
        assert b"\x1b[2K" not in screen.split(b"joint", 1)[0]
        (folder / "mine.toml").write_text(LAYOUT.format(byte=1), encoding="utf-8")
        wait_for(b"the layout was read 2 times.")
        # Lines up and each line erased: over the first table, not below it.
        assert b"\x1b[1A\x1b[2K" in screen
        os.write(ours, b"\x03")
        assert process.wait(60) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(60)
        os.close(ours)


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
    shown.wait_for("elbow temperature_housing_degC 3 - 42 42 42 0 -")
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 0
    sent = os.read(ours, 1000)
    assert b"L\r" in sent
    assert not {line[:1] for line in sent.split(b"\r")} & {b"t", b"T", b"r", b"R"}
    os.close(ours)
    os.close(theirs)
