"""A recorder that is killed leaves a recording that opens, and says what is missing."""

import os
import random
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from logger.store.layout.files import status_stream
from logger.store.layout.lock import writer_pid
from logger.store.layout.manifest import END_CUT_SHORT
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.run_delay import RunDelay


def _killed(bench, until, *, after_s: float) -> tuple[Path, int, int]:
    """Return the recording of a logger that was killed, when it was, and how busy the machine was.

    The last is for how long joints and logger waited for a processor in the last second, in ns.
    """
    joints = bench.joints()
    process, path = bench.logger()
    reader = RecordingReader(path)
    delay = RunDelay(joints.pid, process.pid)

    def recorded_s() -> float:
        delay.note()
        reader.refresh()
        span = reader.span_ns("frames")
        return (span[1] - span[0]) * 1e-9 if span else 0.0

    until(lambda: recorded_s() >= after_s, "frames are recorded")
    os.kill(process.pid, signal.SIGKILL)
    killed_ns = time.time_ns()
    delay.note()
    process.wait()
    return path, killed_ns, delay.newest_ns()


def _is_a_recording(killed: tuple[Path, int, int]) -> None:
    path, killed_ns, waited_ns = killed
    recording = Recording.open(path)
    # The joints answered until the end. 0.2 s is the promise, without what a busy machine takes.
    assert killed_ns - recording.newest_ns("elbow") < 400_000_000 + waited_ns
    found = check_recording(recording)
    assert not found.is_complete
    assert any("without closing" in said for said in found.missing)
    assert all(rows > 0 for rows in found.rows.values())
    # Both joints answer a hundred times a second: 0.2 s is what a kill may cost.
    newest = [recording.newest_ns(joint) for joint in recording.joints]
    assert max(newest) - min(newest) < 200_000_000 + waited_ns
    found_before = find_excursions(recording)
    for joint in recording.joints:
        # Every decoded row has its frame, and frames lie in the order of their times.
        assert (np.diff(recording.read_readings(joint, 0, 2**62).time_ns) >= 0).all()
    assert recording.row_count("frames") >= sum(found.rows.values())
    rows = dict(found.rows)
    assert seal(path)
    sealed = Recording.open(path)
    assert check_recording(sealed).rows == rows
    assert any("without closing" in said for said in sealed.describe_missing()), (
        "it is told for ever"
    )
    assert find_excursions(sealed) == found_before
    assert not seal(path)
    assert len(pd.read_parquet(path / "status")) == sum(rows.values())


@pytest.mark.parametrize("after_s", [0.7, 4.5])
def test_sigkill(bench, until, after_s: float):
    """Killed before and after the first part: it opens, check speaks, seal keeps every row."""
    _is_a_recording(_killed(bench, until, after_s=after_s))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20))
def test_sigkill_at_random(bench, until, seed: int):
    """The same at twenty random moments."""
    _is_a_recording(_killed(bench, until, after_s=random.Random(seed).uniform(0.2, 9.0)))


def _cpu_s(pid: int) -> float:
    """Return how long a process has used a processor."""
    figures = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(figures[11]) + int(figures[12])) / os.sysconf("SC_CLK_TCK")


def test_an_adapter_that_goes_and_comes_back(bench, until):
    """Unplugged: said, recorded as a loss and a gap, and recording goes on when it is back."""
    joints = bench.joints()
    process, path = bench.logger()
    reader = RecordingReader(path)

    def kinds() -> list[str]:
        reader.refresh()
        return [event.kind for event in reader.read_events()]

    until(lambda: reader.refresh() and reader.row_count("frames") > 300, "frames are recorded")
    joints.send_signal(signal.SIGTERM)
    joints.wait()
    until(lambda: "bus lost" in kinds(), "the loss is an event")
    begun_s, used_s = time.monotonic(), _cpu_s(process.pid)
    time.sleep(2.0)
    share = (_cpu_s(process.pid) - used_s) / (time.monotonic() - begun_s)
    assert share < 0.25, "it waits, and does not spin"
    bench.joints()
    until(lambda: "bus back" in kinds(), "the return is an event")
    before = reader.row_count("frames")
    until(lambda: reader.refresh() and reader.row_count("frames") > before + 300, "it goes on")
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 0
    found = check_recording(Recording.open(path))
    assert found.is_complete
    for joint in ("shoulder", "elbow"):
        gaps = [gap for gap in found.gaps if gap.joint == joint and gap.duration_s > 1.9]
        assert [gap.cause for gap in gaps] == ["the bus was lost"]
    assert kinds().count("bus lost") == kinds().count("bus back")


START_NS = 1_795_000_000_000_000_000
ALL = {"start_ns": 0, "end_ns": 2**62}
ROWS_AN_EVENT = 20


class _Writers:
    """Writers of numbered rows and sealers, each in a process of its own that can be killed."""

    def __init__(self) -> None:
        self._parent = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("numbered_writer.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )

    def _ask(self, command: str) -> int:
        self._parent.stdin.write(command + "\n")
        self._parent.stdin.flush()
        return int(self._parent.stdout.readline())

    def kill_after(
        self, command: str, path: Path, after_s: float, *, begun: Callable[[], bool] = lambda: True
    ) -> None:
        """Start `write` or `seal` on a recording; kill it so long after it has `begun`."""
        child = self._ask(f"{command} {path}")
        end_s = time.monotonic() + 60.0
        while not begun() and time.monotonic() < end_s:
            time.sleep(0.002)
        time.sleep(after_s)
        # The child is not waited for yet, so the pid is still its own, also when it has ended.
        os.kill(child, signal.SIGKILL)
        assert self._ask(f"wait {child}") in {0, signal.SIGKILL}
        # The process that makes parts ends with it, as soon as it gets a processor.
        while writer_pid(path) is not None and time.monotonic() < end_s + 20.0:
            time.sleep(0.002)

    def end(self) -> None:
        self._parent.stdin.close()
        self._parent.wait(20)
        self._parent.stdout.close()


@pytest.fixture(scope="module")
def writers() -> Iterator[_Writers]:
    """Give the processes that are killed; the imports are paid for once."""
    made = _Writers()
    yield made
    made.end()


def _numbered(path: Path) -> dict[str, int]:
    """Check that every stream holds the rows 0, 1, 2 ... once, in order; return how many."""
    reader = RecordingReader(path)
    frames = reader.read_rows("frames", **ALL)
    numbers = [struct.unpack("<Q", data)[0] for data in frames["data"].to_pylist()]
    assert numbers == list(range(len(numbers)))
    rows = reader.read_rows(status_stream("elbow"), **ALL)
    np.testing.assert_array_equal(
        rows["temperature_housing_degC"].to_numpy(), np.arange(rows.num_rows) * 1e-3
    )
    events = reader.read_events()
    assert [event.sequence for event in events] == list(range(len(events)))
    assert [event.text for event in events] == [str(n * 20) for n in range(len(events))]
    found = {
        "frames": len(numbers),
        status_stream("elbow"): rows.num_rows,
        "events": len(events) * ROWS_AN_EVENT,
    }
    assert {name: reader.row_count(name) for name in ("frames", status_stream("elbow"))} == {
        name: found[name] for name in ("frames", status_stream("elbow"))
    }
    assert not [said for said in reader.describe_missing() if "rows" in said], "no hole"
    return found


def _killed_and_sealed(writers: _Writers, folder: Path, seed: int) -> int:
    """Kill a writer at random, then a sealer of what it left; return the rows that were flushed."""
    dice = random.Random(seed)
    path = folder / f"rec-{seed}"

    def flushed_rows() -> int:
        told = path.with_suffix(".flushed")
        content = told.read_bytes() if told.exists() else b""
        return struct.unpack("<Q", content)[0] if len(content) == 8 else 0

    # Every fifth somewhere in its beginning, the others while rows are written and sealed.
    begun = (lambda: True) if seed % 5 == 0 else (lambda: flushed_rows() > 0)
    writers.kill_after("write", path, dice.uniform(0.0, 0.4), begun=begun)
    flushed = flushed_rows()
    if not (path / "recording.json").exists():
        assert flushed == 0, "killed before it was a recording at all"
        return 0
    before = _numbered(path)
    assert all(count >= flushed for count in before.values()), (before, flushed)
    assert any("without closing" in said for said in RecordingReader(path).describe_missing())
    writers.kill_after("seal", path, dice.uniform(0.0, 0.08))
    assert _numbered(path) == before
    seal(path)
    assert not seal(path), "the second time there is nothing to do"
    assert _numbered(path) == before
    reader = RecordingReader(path)
    assert reader.manifest.end_cause == END_CUT_SHORT
    assert any("without closing" in said for said in reader.describe_missing())
    assert not list(path.rglob("*.aside"))
    assert not list((path / "journal").glob("*.journal"))
    recording = Recording.open(path)
    assert check_recording(recording).missing == reader.describe_missing()
    count = before[status_stream("elbow")]
    if count:
        span = ("elbow", "temperature_housing_degC", START_NS, START_NS + count * 1_000_000)
        held = span_statistics(recording, *span)
        assert held.n == count
        assert held.maximum == (count - 1) * 1e-3
    return flushed


def test_killed_at_eight_moments(writers: _Writers, tmp_path: Path):
    """Whatever was flushed is there, once and in order; also when the sealing is killed in turn."""
    flushed = [_killed_and_sealed(writers, tmp_path, seed) for seed in range(8)]
    assert sum(count > 0 for count in flushed) >= 5, flushed


@pytest.mark.slow
@pytest.mark.parametrize("first", range(1000, 1200, 40))
def test_killed_at_two_hundred_moments(writers: _Writers, tmp_path: Path, first: int):
    """The same, many times as often."""
    flushed = [_killed_and_sealed(writers, tmp_path, seed) for seed in range(first, first + 40)]
    assert sum(count > 0 for count in flushed) >= 32
