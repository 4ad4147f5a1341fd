"""A recording that is moved, or whose files are taken away, while it is written."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputError, OutsideFault
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.files import JOURNAL_FOLDER, LOCK_FILE, status_stream
from logger.store.layout.lock import WriteLock, writer_pid
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.writing.journal_sealing import SealOrder, Unread
from logger.store.writing.live_writer import RecordingWriter
from tests.support.parts import tick_into_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _writer(path: Path) -> RecordingWriter:
    return RecordingWriter(
        path, new_manifest(BENCH, name="t", started_ns=START_NS), BENCH, now_s=0.0
    )


def _append(writer: RecordingWriter, first: int) -> None:
    writer.append_readings(
        ReadingBatch(
            joint="elbow",
            time_ns=START_NS + (first + np.arange(100)) * 10_000_000,
            position_segment=np.full(100, -1, np.int32),
            columns={"voltage_V": np.arange(first, first + 100) * 1.0},
        )
    )


def _holds(path: Path, count: int) -> None:
    reader = RecordingReader(path)
    table = reader.read_rows(status_stream("elbow"), start_ns=0, end_ns=2**62)
    assert table["voltage_V"].to_pylist() == [float(number) for number in range(count)]


@pytest.mark.parametrize("sealed", [False, True])
def test_renamed_while_live(tmp_path: Path, sealed: bool):  # noqa: FBT001 - a case, not a setting
    """Said at the next flush, with what had come until then; nothing is made in the old place."""
    path, moved = tmp_path / "rec", tmp_path / "moved"
    writer = _writer(path)
    _append(writer, 0)
    if sealed:
        tick_into_parts(writer, 1000.0)
    path.rename(moved)
    _append(writer, 100)
    with pytest.raises(
        OutsideFault, match=r"was moved, renamed or removed.*dutytrace seal"
    ) as told:
        writer.tick(1000.1)
    assert told.value.exit_status == 3
    writer.abandon()
    assert not path.exists()
    assert writer_pid(moved) is None
    _holds(moved, 200)
    assert seal(moved)
    _holds(moved, 200)
    assert "without closing" in " ".join(RecordingReader(moved).describe_missing())


@pytest.mark.parametrize("when", ["sealing", "closing"])
def test_renamed_at_a_bad_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: str):
    """In the middle of sealing, or just before the end: the journal has every row."""
    path, moved = tmp_path / "rec", tmp_path / "moved"
    writer = _writer(path)
    _append(writer, 0)
    if when == "sealing":
        seal_parts, faults = writer._parts._seal, []

        def moved_first(order: SealOrder) -> tuple[Unread, ...]:
            path.rename(moved)
            try:
                return seal_parts(order)
            except OSError as fault:
                faults.append(fault)
                raise

        monkeypatch.setattr(writer._parts, "_seal", moved_first)
        writer._disk.wait()
        writer.tick(1000.0)
        writer._disk.shutdown()
        writer._parts._thread.shutdown()
        assert [type(fault) for fault in faults] == [FileNotFoundError]
        with pytest.raises(OutsideFault, match="moved, renamed or removed"):
            writer.tick(1000.01)
        writer.abandon()
    else:
        path.rename(moved)
        with pytest.raises(OutsideFault, match="moved, renamed or removed"):
            writer.close(ended_ns=START_NS + 10**9, cause="test")
    assert not path.exists()
    _holds(moved, 100)
    assert seal(moved)
    _holds(moved, 100)


def test_moved_and_another_recording_in_its_place(tmp_path: Path):
    """The one that was moved writes nothing into the new one."""
    path = tmp_path / "rec"
    old = _writer(path)
    _append(old, 0)
    path.rename(tmp_path / "moved")
    new = _writer(path)
    with pytest.raises(OutsideFault, match="moved"):
        old.tick(1000.0)
    old.abandon()
    _append(new, 0)
    _append(new, 100)
    new.close(ended_ns=START_NS + 10**10, cause="test")
    _holds(path, 200)
    assert RecordingReader(path).describe_missing() == ()
    _holds(tmp_path / "moved", 100)


def test_removed_while_live(tmp_path: Path):
    """Nothing can be kept then, and that is said; no half of a recording is made."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _append(writer, 0)
    shutil.rmtree(path)
    with pytest.raises(OutsideFault, match="moved, renamed or removed"):
        writer.tick(1000.0)
    writer.abandon()
    assert list(tmp_path.iterdir()) == []


def test_the_lock_file_is_taken_away(tmp_path: Path):
    """Whoever takes a new lock is a second writer: the first one ends before it seals a row."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _append(writer, 0)
    writer.tick(0.1)
    (path / LOCK_FILE).unlink()
    assert seal(path)
    _append(writer, 100)
    with pytest.raises(OutsideFault, match="moved, renamed or removed"):
        writer.tick(1000.0)
    writer.abandon()
    _holds(path, 100)


def test_a_reader_of_what_was_moved(tmp_path: Path):
    """A sentence that names the folder, no traceback; in its new place it is read on."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _append(writer, 0)
    writer.tick(0.1)
    reader = RecordingReader(path)
    path.rename(tmp_path / "moved")
    with pytest.raises(InputError, match="there is no such recording folder"):
        reader.refresh()
    assert RecordingReader(tmp_path / "moved").live
    with pytest.raises(InputError, match="another logger"):
        seal(tmp_path / "moved")
    writer.abandon()


def test_two_writers_of_one_recording(tmp_path: Path):
    """The second has its own sentence, and leaves the first alone."""
    path = tmp_path / "rec"
    first = _writer(path)
    _append(first, 0)
    with pytest.raises(InputError, match="already exists"):
        _writer(path)
    with pytest.raises(InputError, match=r"another logger \(pid \d+\) is writing"):
        WriteLock(path)
    with pytest.raises(InputError, match="another logger"):
        seal(path)
    _append(first, 100)
    first.close(ended_ns=START_NS + 10**10, cause="test")
    _holds(path, 200)
    assert RecordingReader(path).describe_missing() == ()


@pytest.mark.parametrize("what", ["folder", "file"])
def test_the_journal_folder_is_taken_away(tmp_path: Path, what: str):
    """Nobody would find further rows: a sentence; put back, it holds what had been flushed."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _append(writer, 0)
    (path / JOURNAL_FOLDER).rename(path / "away")
    if what == "file":
        (path / JOURNAL_FOLDER).write_bytes(b"")
    with pytest.raises(OutsideFault, match=r"this journal was moved or removed.*put it back"):
        writer.tick(1000.0)
    writer.abandon()
    if what == "file":
        with pytest.raises(OutsideFault, match="journals cannot be listed"):
            seal(path)
        (path / JOURNAL_FOLDER).unlink()
    (path / "away").rename(path / JOURNAL_FOLDER)
    _holds(path, 100)
    assert seal(path)
    _holds(path, 100)
