"""Parts are made by a process of their own: its answers, other tries, its end with the recorder."""

import errno
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from logger.errors import OutsideFault
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.files import status_stream
from logger.store.layout.lock import WriteLock, writer_pid
from logger.store.layout.manifest import new_manifest, read_manifest, write_manifest
from logger.store.parts.part import list_parts
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.writing import part_maker
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.journal import JournalWriter, journal_files
from logger.store.writing.journal_sealing import SealOrder, Unread, seal_journals
from logger.store.writing.live_writer import RecordingWriter
from logger.store.writing.part_maker import SealingInterrupted, seal_in_process
from tests.support.parts import SEALED_HERE, tick_into_parts, wait_for_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
STREAM = status_stream("elbow")
ALL = {"start_ns": 0, "end_ns": 2**62}


def _writer(path: Path, policy: FlushPolicy = SEALED_HERE) -> RecordingWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=policy)


def _append(writer: RecordingWriter, first: int, count: int = 100) -> None:
    rows = np.arange(first, first + count)
    writer.append_readings(
        ReadingBatch(
            joint="elbow",
            time_ns=START_NS + rows * 10_000_000,
            position_segment=np.full(count, -1, np.int32),
            columns={"voltage_V": rows.astype(np.float64)},
        )
    )


def _rows(path: Path) -> list[float]:
    return RecordingReader(path).read_rows(STREAM, **ALL)["voltage_V"].to_pylist()


def test_a_process_makes_the_parts(tmp_path: Path):
    """The part is there, the journal gone, and nothing is left of either half way."""
    path = tmp_path / "rec"
    writer = _writer(path, FlushPolicy())
    _append(writer, 0)
    tick_into_parts(writer, 1000.0)
    assert [part.end_row for part in list_parts(path / STREAM)] == [100]
    assert [number for number, _ in journal_files(path / "journal")] == [1, 2]
    assert writer.take_remarks() == []
    _append(writer, 100)
    writer.close(ended_ns=START_NS + 10**10, cause="test")
    assert _rows(path) == list(range(200))
    assert RecordingReader(path).describe_missing() == ()
    assert not seal(path)


def test_a_long_journal_is_sealed_by_a_process_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """What would take memory is left to it, and done here where it fails."""
    monkeypatch.setattr("logger.store.writing.live_writer.MAX_BYTES_SEALED_HERE", 1000)
    orders: list[SealOrder] = []

    def seal_or_fail(order: SealOrder) -> tuple[Unread, ...]:
        orders.append(order)
        if len(orders) == 2:
            raise SealingInterrupted("killed")
        return seal_journals(order)

    for name in ("done", "killed"):
        writer = _writer(tmp_path / name, FlushPolicy(seal=seal_or_fail))
        _append(writer, 0)
        writer.close(ended_ns=START_NS + 10**10, cause="test")
        assert _rows(tmp_path / name) == list(range(100))
        assert RecordingReader(tmp_path / name).describe_missing() == ()
    assert [order.until_ns for order in orders] == [START_NS + 10**10] * 2


def test_a_disk_that_fails_ends_the_recording(tmp_path: Path):
    """What the process met is raised by the next tick; the journal has the rows."""
    path = tmp_path / "rec"
    writer = _writer(path, FlushPolicy())
    (path / "status").write_bytes(b"no folder")
    _append(writer, 0)
    writer._disk.wait()
    writer.tick(1000.0)
    writer._disk.wait()
    writer._parts._thread.shutdown()
    with pytest.raises(OutsideFault, match=r"cannot be written any further .*Not a directory"):
        writer.tick(1000.1)
    writer.abandon()
    (path / "status").unlink()
    assert _rows(path) == list(range(100))


@pytest.mark.parametrize(
    ("script", "reason"),
    [
        ("kill -9 $$", "ended by signal 9"),
        ("echo 'MemoryError: too little' >&2; exit 1", "MemoryError: too little"),
        (
            f"""echo '{{"errno": {errno.ENOMEM}, "strerror": "No memory", "path": ""}}'""",
            "No memory",
        ),
        ("", "ended with status 0"),
    ],
)
def test_a_process_that_fails_is_no_fault_of_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, reason: str
):
    """Killed, out of memory or broken: interrupted, with the reason; every journal is there."""
    python = tmp_path / "python"
    python.write_text(f"#!/bin/sh\n{script}\n", encoding="ascii")
    python.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(python))
    with WriteLock(tmp_path) as lock, pytest.raises(SealingInterrupted, match=reason):
        seal_in_process(SealOrder(recording=tmp_path), lock_descriptor=lock.descriptor)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "gone"))
    with WriteLock(tmp_path) as lock, pytest.raises(SealingInterrupted, match="No such file"):
        seal_in_process(SealOrder(recording=tmp_path), lock_descriptor=lock.descriptor)


def test_it_is_tried_again_and_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The recording goes on meanwhile; once it succeeds, all journals are parts, in order."""
    monkeypatch.setattr(part_maker, "FIRST_PAUSE_S", 0.001)
    tries = threading.Semaphore(0)
    allowed = threading.Event()

    def seal_later(order: SealOrder) -> tuple[Unread, ...]:
        tries.release()
        if not allowed.is_set():
            raise SealingInterrupted("its process was ended by signal 9")
        return seal_journals(order)

    path = tmp_path / "rec"
    writer = _writer(path, FlushPolicy(seal=seal_later))
    for first in (0, 100, 200):
        _append(writer, first)
        writer._disk.wait()
        writer.tick(1000.0 * (first + 1))
    writer._disk.wait()
    for _ in range(3):
        assert tries.acquire(timeout=60)
    assert _rows(path) == list(range(300))
    [(kind, text)] = writer.take_remarks()
    assert kind == EventKind.PARTS_WAIT
    assert "signal 9" in text
    allowed.set()
    wait_for_parts(writer)
    assert [part.end_row for part in list_parts(path / STREAM)] == [100, 200, 300]
    assert writer.take_remarks() == []
    writer.close(ended_ns=START_NS + 10**10, cause="test")
    assert _rows(path) == list(range(300))


def test_a_journal_that_comes_back_damaged(tmp_path: Path):
    """The disk returns other bytes: told in an event and for good, and the journal is kept."""
    path = tmp_path / "rec"
    writer = _writer(path)
    for first in (0, 100):
        _append(writer, first)
    writer._journal.flush()
    content = bytearray(writer._journal.path.read_bytes())
    content[-20] ^= 0xFF
    with writer._journal.path.open("r+b") as file:
        file.write(content)
    tick_into_parts(writer, 1000.0)
    [(kind, text)] = writer.take_remarks()
    assert kind == EventKind.ROWS_LOST
    assert "journal 00000000 ends in" in text
    _append(writer, 200)
    writer.close(ended_ns=START_NS + 10**10, cause="test")
    assert (path / "journal" / "00000000.unreadable").read_bytes() == bytes(content)
    assert _rows(path) == [*range(100), *range(200, 300)]
    missing = RecordingReader(path).describe_missing()
    assert any("journal 00000000 ends in" in sentence for sentence in missing)
    assert any(f"{STREAM}: rows 100 to 199 are missing" in sentence for sentence in missing)


_HANGING = """
import os, sys, threading
from pathlib import Path
from logger.store.layout.lock import WriteLock
from logger.store.writing.journal_sealing import SealOrder
from logger.store.writing.part_maker import seal_in_process

path = Path(sys.argv[1])
lock = WriteLock(path)
threading.Thread(
    target=seal_in_process, args=(SealOrder(recording=path),),
    kwargs={"lock_descriptor": lock.descriptor}, daemon=True,
).start()
# The process reads the journal, a pipe that nobody writes to: it hangs from here on.
with (path / "journal" / "00000000.journal").open("wb"):
    os.close(lock.descriptor)
    print("hangs", flush=True)
    threading.Event().wait()
"""


def test_it_ends_with_the_recorder_and_holds_the_lock_until_then(tmp_path: Path):
    """Killed alone, the recorder leaves no process behind that writes, and no lock."""
    write_manifest(tmp_path, new_manifest(BENCH, name="t", started_ns=START_NS))
    (tmp_path / "journal").mkdir()
    os.mkfifo(tmp_path / "journal" / "00000000.journal")
    recorder = subprocess.Popen(
        [sys.executable, "-c", _HANGING, str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[4])},
    )
    try:
        assert recorder.stdout.readline() == "hangs\n"
        assert writer_pid(tmp_path) == recorder.pid, "held by what inherited it"
    finally:
        recorder.send_signal(signal.SIGKILL)
        recorder.wait()
        recorder.stdout.close()
    # Whoever wants to go on waits for what is left of the recorder.
    begun_s = time.monotonic()
    with WriteLock(tmp_path):
        assert time.monotonic() - begun_s < 10.0


def test_limits_stand_in_the_journal_before_recording_json_has_them(tmp_path: Path):
    """A crash in between: read at once, and put into recording.json by sealing, once."""
    path = tmp_path / "rec"
    writer = _writer(path)
    held = threading.Event()
    writer._disk.submit(held.wait, 20)
    texts = ["format = 1\n", "format = 1\n# other\n"]
    for number, text in enumerate(texts):
        _append(writer, 100 * number)
        writer.record_limits(text, from_ns=START_NS + number)
    writer.tick(1.0)
    assert read_manifest(path).limits_taken == ()
    live = RecordingReader(path)
    assert [taken.text for taken in live.manifest.limits_taken] == texts
    assert [from_ns for from_ns, _ in live.limit_sets] == [START_NS, START_NS, START_NS + 1]
    assert not live.refresh()
    copied = tmp_path / "crash"
    copied.mkdir()
    for file in (path / "recording.json", *(path / "journal").glob("*.journal")):
        target = copied / file.relative_to(path)
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(file.read_bytes())
    held.set()
    writer.close(ended_ns=START_NS + 10**10, cause="test")
    assert [taken.text for taken in read_manifest(path).limits_taken] == texts
    assert seal(copied)
    assert not seal(copied)
    assert [taken.text for taken in read_manifest(copied).limits_taken] == texts
    assert _rows(copied) == list(range(200))


def test_a_journal_sealed_in_part_before_is_sealed_to_its_end(tmp_path: Path):
    """A part holds its first rows already: the others become one beside it, none twice."""
    write_manifest(tmp_path, new_manifest(BENCH, name="t", started_ns=START_NS))
    (tmp_path / "journal").mkdir()
    whole = _writer(tmp_path / "whole")
    for first in (0, 100, 200):
        _append(whole, first)
    whole._journal.flush()
    content = whole._journal.path.read_bytes()
    whole.abandon()
    journal = JournalWriter(tmp_path / "journal", number=0)
    journal.close()
    journal.path.write_bytes(content[: len(content) * 2 // 3])
    seal_journals(SealOrder(recording=tmp_path))
    first_parts = [part.end_row for part in list_parts(tmp_path / STREAM)]
    (kept,) = (tmp_path / "journal").glob("*.unreadable")
    kept.unlink()
    (tmp_path / "journal" / "00000000.journal").write_bytes(content)
    seal_journals(SealOrder(recording=tmp_path))
    assert [part.end_row for part in list_parts(tmp_path / STREAM)] == [*first_parts, 300]
    assert _rows(tmp_path) == list(range(300))
