"""Every state that a crash can leave: the folder before and after each step of the writer.

Each of them opens, holds every row that was flushed, gives the same figures, and is sealed into a
recording that does so too; also when the sealing itself is cut short, at every one of its steps.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout import files, manifest
from logger.store.layout.events import Event
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.parts import part_writer
from logger.store.pyramid.tenths import TENTH_NS
from logger.store.pyramid.upper import upper_level_stream
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from replay.statistics import span_statistics
from replay.window import read_envelope
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
BENCH = scenario.scenario_bench(channel="x")
CHANNEL = "temperature_housing_degC"
RATE = 20
"""Rows a second."""


@pytest.fixture(autouse=True)
def every_level(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make so few rows fast enough for the finest level, and so few parts worth a joined copy."""
    monkeypatch.setattr("logger.store.parts.joined.PARTS_PER_COPY", 2)
    monkeypatch.setattr("logger.store.pyramid.tenths.FAST_ROWS", RATE // 10)


class _Cut(BaseException):
    """Where a process was killed."""


@contextmanager
def _each_step(step: Callable[[], None]) -> Iterator[None]:
    """Call `step` before and after each file that is put in its place, and each that goes."""
    with pytest.MonkeyPatch.context() as patch:
        put, unlink = files.write_atomically, Path.unlink

        def stepped_put(path, write):
            step()
            put(path, write)
            step()

        def stepped_unlink(self, *, missing_ok=False):
            unlink(self, missing_ok=missing_ok)
            if self.suffix == ".journal" or "joined" in self.parts:
                step()

        for module in (files, manifest, part_writer):
            patch.setattr(module, "write_atomically", stepped_put)
        patch.setattr(Path, "unlink", stepped_unlink)
        yield


def _readings(second: int) -> ReadingBatch:
    dice = np.random.default_rng(second)
    return ReadingBatch(
        joint="elbow",
        time_ns=START_NS + second * S + np.arange(RATE) * (S // RATE),
        position_segment=np.full(RATE, -1, np.int32),
        columns={CHANNEL: dice.normal(40.0, 5.0, RATE)},
    )


def _record(path: Path, *, step: Callable[[int], None]) -> None:
    """Record nine seconds in three parts; `step` gets the seconds that were flushed by then."""
    flushed = [0]
    settings = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, settings, BENCH, now_s=0.0, flush_policy=SEALED_HERE)
    with _each_step(lambda: step(flushed[0])):
        for second in range(9):
            writer.append_readings(_readings(second))
            writer.append_events(
                [Event(sequence=second, time_ns=START_NS + second * S, kind="note", text="n")]
            )
            writer._journal.flush()
            flushed[0] = second + 1
            step(flushed[0])
            if second % 3 == 2:
                tick_into_parts(writer, 1000.0 * (second + 1))
        writer.close(ended_ns=START_NS + 9 * S, cause="test")
    step(9)


def _holds(path: Path, seconds: int) -> None:
    """Check that a recording holds the rows of so many seconds, once, and their figures."""
    recording = Recording.open(path)
    batch = recording.read_readings("elbow", 0, 2**62)
    time_ns = np.concatenate(
        [np.empty(0, np.int64)] + [_readings(s).time_ns for s in range(seconds)]
    )
    np.testing.assert_array_equal(batch.time_ns, time_ns)
    assert recording.reading_count("elbow") == RATE * seconds
    assert [event.sequence for event in recording.read_events()] == list(range(seconds))
    if seconds:
        value = batch.columns[CHANNEL]
        found = span_statistics(
            recording, "elbow", CHANNEL, START_NS, START_NS + seconds * S - S // RATE
        )
        assert found.n == len(value) - 1
        assert found.mean == pytest.approx(value[:-1].mean(), rel=1e-9)
        assert found.maximum == value[:-1].max()
        tenths = read_envelope(
            recording, "elbow", CHANNEL, START_NS, START_NS + seconds * S, bins=10 * seconds
        )
        assert (path / upper_level_stream("elbow", TENTH_NS)).is_dir() or seconds < 4
        assert tenths.n.tolist() == [RATE // 10] * (10 * seconds)
        assert tenths.maximum.tolist() == value.reshape(-1, RATE // 10).max(axis=1).tolist()
    assert [gap for gap in recording.read_gaps("elbow") if gap[1] - gap[0] < 9 * S] == []


def _copy(source: str, target: str) -> None:
    """Copy a file; what has a temporary name may have got its own by now."""
    try:
        shutil.copy2(source, target)
    except FileNotFoundError:
        if not source.endswith(".aside"):
            raise


def _snapshots(folder: Path) -> list[tuple[Path, int]]:
    """Return the folder's state at each step of a recording, and the seconds that it must hold."""
    taken: list[tuple[Path, int]] = []

    def step(seconds: int) -> None:
        place = folder / f"state-{len(taken):03d}"
        shutil.copytree(folder / "rec", place, copy_function=_copy)
        taken.append((place, seconds))

    _record(folder / "rec", step=step)
    return taken


def test_every_state_of_a_writer_is_a_recording(tmp_path: Path):
    """Nothing missing, nothing doubled, before sealing and after; sealing twice changes nothing."""
    states = _snapshots(tmp_path)
    assert len(states) > 30
    assert any((path / "joined").is_dir() for path, _ in states[:-20])
    for path, seconds in states:
        _holds(path, seconds)
        before = {file: file.read_bytes() for file in path.rglob("*") if file.is_file()}
        Recording.open(path).refresh()
        assert {file: file.read_bytes() for file in before} == before, "readers write nothing"
        seal(path)
        _holds(path, seconds)
        assert not list((path / "journal").iterdir())
        assert not seal(path)
        assert RecordingReader(path).manifest.ended_ns is not None


def test_a_sealing_that_is_cut_short_is_taken_up(tmp_path: Path):
    """Killed at each of its steps: the rows are all there, and the next sealing finishes it."""
    crashed = max(
        (state for state in _snapshots(tmp_path) if list((state[0] / "journal").iterdir())),
        key=lambda state: state[1],
    )
    cut_at = 0
    while True:
        path = tmp_path / f"cut-{cut_at:03d}"
        shutil.copytree(crashed[0], path)
        left = [cut_at]

        def step(left=left) -> None:
            left[0] -= 1
            if left[0] < 0:
                raise _Cut

        try:
            with _each_step(step):
                seal(path)
        except _Cut:
            _holds(path, crashed[1])
            seal(path)
            _holds(path, crashed[1])
            assert not seal(path)
        else:
            break
        cut_at += 1
    assert cut_at > 5
    stream = status_stream("elbow")
    whole = RecordingReader(path).read_rows(stream, start_ns=0, end_ns=2**62)
    assert whole.num_rows == RATE * crashed[1]
