"""Folders that cannot be written and disks that are full, at the start and midway, as commands.

Exit status 2 where the folder was the wrong one, 3 where the disk or somebody else was at fault;
one clear line, and all that had been written is read.
"""

import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.simulate import scenario
from logger.store.layout.lock import writer_pid
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal

# Root may write everywhere; without this right it may not, like anybody else.
_LESS = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]


class _Loggers:
    """`dutytrace record` on a bus without joints, as processes that are ended with the test."""

    def __init__(self, folder: Path) -> None:
        text = scenario.scenario_bench_text("nobody").replace('"slcan"', '"virtual"')
        lines = [line for line in text.splitlines() if not line.startswith("options")]
        self.bench = folder / "bench.toml"
        self.bench.write_text("\n".join(lines), encoding="utf-8")
        self._running: list[subprocess.Popen[str]] = []

    def start(
        self, *arguments: str, prefix: tuple[str, ...] = (), largest_file: int | None = None
    ) -> "subprocess.Popen[str]":
        def limit() -> None:
            if largest_file is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, largest_file))

        process = subprocess.Popen(
            [*prefix, sys.executable, "-m", "dutytrace", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=limit,  # noqa: PLW1509 - nothing but the limit is set there
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self._running.append(process)
        return process

    def record(self, out: Path, **settings: object) -> "subprocess.Popen[str]":
        """Start a recording that runs until something ends it."""
        return self.start(
            "record", str(self.bench), "--out", str(out), "--duration", "60s", **settings
        )

    def end(self) -> None:
        for process in self._running:
            if process.poll() is None:
                process.kill()
            process.wait()
            process.stdout.close()
            process.stderr.close()


@pytest.fixture
def loggers(tmp_path: Path) -> Iterator[_Loggers]:
    """Give loggers that are ended with the test."""
    made = _Loggers(tmp_path)
    yield made
    made.end()


@pytest.fixture
def bound() -> tuple[str, ...]:
    """Give what makes permissions count for a command; skipped where nothing does."""
    if os.geteuid() != 0:
        return ()
    if not shutil.which("setpriv") or subprocess.run([*_LESS, "true"], check=False).returncode:
        pytest.skip("root may write everywhere, and cannot give that up here")
    return tuple(_LESS)


def _ended(process: "subprocess.Popen[str]", status: int, *words: str) -> None:
    """Check how a command ended, and that it said so in one line."""
    out, said = process.communicate(timeout=40)
    assert process.returncode == status, out + said
    lines = [line for line in said.splitlines() if line.startswith("dutytrace: ")]
    assert len(lines) == 1, said
    assert "Traceback" not in said
    for word in words:
        assert word in lines[0]


def _flushed(path: Path) -> int:
    """Return how many seconds of its own health a recording holds: rows without any joint."""
    return RecordingReader(path).row_count("health") if (path / "recording.json").exists() else 0


def _is_kept(path: Path, rows: int) -> None:
    """Check that what was flushed is there, before it is sealed and afterwards."""
    before = _flushed(path)
    assert before >= rows
    assert any("without closing" in said for said in RecordingReader(path).describe_missing())
    assert writer_pid(path) is None
    assert seal(path)
    assert _flushed(path) == before
    assert not seal(path)


def test_a_folder_that_may_not_be_written(
    loggers: _Loggers, bound: tuple[str, ...], tmp_path: Path
):
    """Wrong input: which folder, why, and what to choose; nothing is made."""
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o555)
    process = loggers.record(shut / "rec", prefix=bound)
    _ended(process, 2, str(shut / "rec"), "Permission denied", "--out")
    assert list(shut.iterdir()) == []


def test_a_folder_within_a_file(loggers: _Loggers, tmp_path: Path):
    """Wrong input too."""
    (tmp_path / "file").write_bytes(b"")
    _ended(loggers.record(tmp_path / "file" / "rec"), 2, "Not a directory", "--out")


def test_a_disk_that_takes_nothing(loggers: _Loggers, tmp_path: Path):
    """An outside fault; no empty recording is left behind."""
    process = loggers.record(tmp_path / "rec", largest_file=0)
    _ended(process, 3, "nothing was recorded", "Free some room")
    assert not (tmp_path / "rec").exists()


def test_a_disk_that_fills_up_midway(loggers: _Loggers, tmp_path: Path):
    """An outside fault; the journal up to there is read and sealed."""
    path = tmp_path / "rec"
    # Enough for recording.json; the journal of a few seconds is more.
    process = loggers.record(path, largest_file=4700)
    _ended(process, 3, "cannot be written any further", "is whole", "free some room")
    _is_kept(path, 1)


@pytest.mark.parametrize("shut", ["journal", "."])
def test_permissions_that_are_lost_midway(
    loggers: _Loggers,
    bound: tuple[str, ...],
    until: Callable[[Callable[[], object], str], None],
    tmp_path: Path,
    shut: str,
):
    """An outside fault when the next file is due; all until then is there."""
    path = tmp_path / "rec"
    process = loggers.record(path, prefix=bound)
    until(lambda: _flushed(path) > 0, "a second is recorded")
    (path / shut).chmod(0o555)
    _ended(process, 3, "Permission denied", "is whole", "can be written")
    (path / shut).chmod(0o755)
    _is_kept(path, 1)


def test_moved_while_it_is_recorded(
    loggers: _Loggers, until: Callable[[Callable[[], object], str], None], tmp_path: Path
):
    """An outside fault at once, in words; the old place stays empty."""
    path = tmp_path / "rec"
    process = loggers.record(path)
    until(lambda: _flushed(path) > 0, "a second is recorded")
    path.rename(tmp_path / "elsewhere")
    begun_s = time.monotonic()
    _ended(process, 3, "moved, renamed or removed", "dutytrace seal")
    assert time.monotonic() - begun_s < 30
    assert not path.exists()
    _is_kept(tmp_path / "elsewhere", 1)


def test_two_loggers_on_one_recording(
    loggers: _Loggers, until: Callable[[Callable[[], object], str], None], tmp_path: Path
):
    """The second is refused and does no harm, nor does anybody who would seal meanwhile."""
    path = tmp_path / "rec"
    process = loggers.record(path)
    until(lambda: _flushed(path) > 0, "a second is recorded")
    _ended(loggers.record(path), 2, "already exists")
    _ended(loggers.start("seal", str(path)), 2, f"pid {process.pid}", "Stop it first")
    rows = _flushed(path)
    until(lambda: _flushed(path) > rows, "the first goes on")
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 0
    assert RecordingReader(path).describe_missing() == ()
