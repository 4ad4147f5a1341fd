"""A recorder that is killed leaves a recording that opens, and says what is missing."""

import os
import random
import signal
from pathlib import Path

import pandas as pd
import pytest

from logger.store.read import RecordingReader
from logger.store.seal import seal
from replay.check import check
from replay.excursions import excursions
from replay.recording import Recording


def _killed(bench, until, *, after_s: float) -> Path:
    bench.joints()
    process, path = bench.logger()
    reader = RecordingReader(path)

    def recorded_s() -> float:
        reader.refresh()
        span = reader.span_ns("frames")
        return (span[1] - span[0]) * 1e-9 if span else 0.0

    until(lambda: recorded_s() >= after_s, "frames are recorded")
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    return path


def _is_a_recording(path: Path) -> None:
    recording = Recording.open(path)
    found = check(recording)
    assert not found.whole
    assert any("without closing" in said for said in found.missing)
    assert all(rows > 0 for rows in found.rows.values())
    # Both joints answer a hundred times a second: 0.2 s is what a kill may cost.
    newest = [recording.newest_ns(joint) for joint in recording.joints]
    assert max(newest) - min(newest) < 200_000_000
    excursions(recording)
    rows = dict(found.rows)
    assert seal(path)
    again = check(Recording.open(path))
    assert again.rows == rows
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
    bench.joints()
    until(lambda: "bus back" in kinds(), "the return is an event")
    before = reader.rows("frames")
    until(lambda: reader.refresh() and reader.rows("frames") > before + 300, "it goes on")
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0
    found = check(Recording.open(path))
    assert found.whole
    assert any(gap.cause == "the bus went away" for gap in found.gaps)
