"""A recorder that is killed leaves a recording that opens, and says what is missing."""

import os
import random
import signal
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from logger.store.read import RecordingReader
from logger.store.seal import seal
from replay.check import check
from replay.excursions import excursions
from replay.recording import Recording


def _killed(bench, until, *, after_s: float) -> tuple[Path, int]:
    """Return the recording of a logger that was killed, and when it was."""
    bench.joints()
    process, path = bench.logger()
    reader = RecordingReader(path)

    def recorded_s() -> float:
        reader.refresh()
        span = reader.span_ns("frames")
        return (span[1] - span[0]) * 1e-9 if span else 0.0

    until(lambda: recorded_s() >= after_s, "frames are recorded")
    os.kill(process.pid, signal.SIGKILL)
    killed_ns = time.time_ns()
    process.wait()
    return path, killed_ns


def _is_a_recording(killed: tuple[Path, int]) -> None:
    path, killed_ns = killed
    recording = Recording.open(path)
    # The joints answered until the end. 0.2 s is the promise; a busy machine is given twice that.
    assert killed_ns - recording.newest_ns("elbow") < 400_000_000
    found = check(recording)
    assert not found.whole
    assert any("without closing" in said for said in found.missing)
    assert all(rows > 0 for rows in found.rows.values())
    # Both joints answer a hundred times a second: 0.2 s is what a kill may cost.
    newest = [recording.newest_ns(joint) for joint in recording.joints]
    assert max(newest) - min(newest) < 200_000_000
    found_before = excursions(recording)
    for joint in recording.joints:
        # Every decoded row has its frame, and frames lie in the order of their times.
        assert (np.diff(recording.readings(joint, 0, 2**62).time_ns) >= 0).all()
    assert recording.frame_count() >= sum(found.rows.values())
    rows = dict(found.rows)
    assert seal(path)
    sealed = Recording.open(path)
    assert check(sealed).rows == rows
    assert any("without closing" in said for said in sealed.missing()), "it is told for ever"
    assert excursions(sealed) == found_before
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
        return [event.kind for event in reader.events()]

    until(lambda: reader.refresh() and reader.rows("frames") > 300, "frames are recorded")
    joints.send_signal(signal.SIGTERM)
    joints.wait()
    until(lambda: "bus lost" in kinds(), "the loss is an event")
    begun_s, used_s = time.monotonic(), _cpu_s(process.pid)
    time.sleep(2.0)
    share = (_cpu_s(process.pid) - used_s) / (time.monotonic() - begun_s)
    assert share < 0.25, "it waits, and does not spin"
    bench.joints()
    until(lambda: "bus back" in kinds(), "the return is an event")
    before = reader.rows("frames")
    until(lambda: reader.refresh() and reader.rows("frames") > before + 300, "it goes on")
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0
    found = check(Recording.open(path))
    assert found.whole
    for joint in ("shoulder", "elbow"):
        gaps = [gap for gap in found.gaps if gap.joint == joint and gap.duration_s > 1.9]
        assert [gap.cause for gap in gaps] == ["the bus went away"]
    assert kinds().count("bus lost") == kinds().count("bus back")
