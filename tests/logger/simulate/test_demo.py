"""The demo: three processes started, watched and stopped together."""

import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import pytest

import dutytrace
from logger.store.reading.reader import RecordingReader


def _children(pid: int) -> dict[str, int]:
    """Return the demo's processes by what they are."""
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    found = {}
    for child in listed:
        command = Path(f"/proc/{child}/cmdline").read_bytes().replace(b"\0", b" ").decode()
        for what, sign in (
            ("joints", "logger.simulate"),
            ("logger", " record "),
            ("dashboard", " dashboard "),
        ):
            if sign in command:
                found[what] = int(child)
    return found


class Demo:
    """A running demo and what it said."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder = folder
        self.said: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dutytrace", "demo", "--no-browser", "--port", "0",
             "--recordings", str(folder), *options],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(line)

    def until_said(self, words: str) -> str:
        """Return the first line with these words, once it was said."""
        end = time.monotonic() + 60
        while not (found := [line for line in self.said if words in line]):
            assert self.process.poll() is None, "".join(self.said)
            assert time.monotonic() < end, "".join(self.said)
            time.sleep(0.05)
        return found[0]

    def end(self) -> None:
        """End the demo."""
        if self.process.poll() is None:
            self.process.terminate()
        self.process.wait(40)
        self._reader.join(5)
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture
def demo(tmp_path: Path):
    """Give a running demo, ended with the test."""
    made = Demo(tmp_path / "recordings")
    made.until_said("Press Ctrl-C")
    yield made
    made.end()


def _gone(pids: list[int]) -> bool:
    return not any(Path(f"/proc/{pid}").exists() for pid in pids)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="looks for processes in /proc")
def test_ctrl_c_ends_all_three_cleanly(demo: Demo, until):
    """The page is served, the joints are recorded, and an interrupt leaves a whole recording."""
    address = re.sub(r".*(http://\S+).*", r"\1", demo.until_said("The pages are at").strip())
    with urllib.request.urlopen(address, timeout=60) as answer:
        assert answer.status == 200
    members = _children(demo.process.pid)
    assert set(members) == {"joints", "logger", "dashboard"}
    path = next(demo.folder.iterdir())
    until(lambda: RecordingReader(path).row_count("frames") > 300, "frames are recorded")
    demo.process.send_signal(signal.SIGINT)
    assert demo.process.wait(40) == 0
    assert _gone(list(members.values()))
    reader = RecordingReader(path)
    assert reader.describe_missing() == ()
    assert reader.manifest.ended_ns is not None


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="looks for processes in /proc")
@pytest.mark.parametrize("victim", ["joints", "logger", "dashboard"])
def test_killing_any_one_is_noticed_and_said(demo: Demo, victim: str, until):
    """Which one ended, and how; the others are stopped and the exit status is that of a fault."""
    members = _children(demo.process.pid)
    os.kill(members[victim], signal.SIGKILL)
    assert demo.process.wait(40) == 3
    until(lambda: any(f"The {victim}" in line for line in demo.said), "it is said")
    said = next(line for line in demo.said if f"The {victim}" in line)
    assert "SIGKILL" in said
    assert _gone([pid for what, pid in members.items() if what != victim])


@pytest.mark.slow
def test_a_bench_that_is_commissioned_is_noted_scene_by_scene(tmp_path: Path):
    """Each scene is a note of the recording, and what is read off can be typed as it is printed."""
    demo = Demo(tmp_path / "recordings", "--bench")
    try:
        demo.until_said("Press Ctrl-C")
        assert "--reading 'turned=5 turn +- 1 deg at out'" in demo.until_said("read off")
    finally:
        demo.process.send_signal(signal.SIGINT)
        demo.end()
    reader = RecordingReader(next(demo.folder.iterdir()))
    assert reader.describe_missing() == ()
    notes = dutytrace.open(reader.path).notes()["text"].tolist()
    assert [note.partition(":")[0] for note in notes[:2]] == ["rest", "out"]
