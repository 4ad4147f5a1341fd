"""What a crash cost is told by what is left, and stays told once the recording is gone on with."""

import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.recording.resume import resume_point
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.files import JOURNAL_FOLDER, LOCK_FILE
from logger.store.layout.lock import WriteLock, check_not_written
from logger.store.layout.manifest import ClockAnchor, new_manifest, read_manifest, write_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.tools.cut import copy_span
from logger.store.writing.flush_policy import longest_journal_s
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from tests.support.parts import tick_into_parts

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _event(kind: EventKind, at_s: float, *, sequence: int, **facts: float) -> Event:
    return Event(sequence=sequence, time_ns=START_NS + round(at_s * S), kind=kind, **facts)


def _frames(first_s: float, last_s: float) -> FrameBatch:
    times = np.arange(round(first_s * 100), round(last_s * 100)) * 10_000_000 + START_NS
    return FrameBatch.from_rows([(int(time_ns), 0x281, 0, b"\1\2\3") for time_ns in times])


def _killed(path: Path, *, length_s: float = 8.0) -> Path:
    """Leave what a recorder that was killed leaves: a part of 2 s, and the rest in its journal."""
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="t", started_ns=START_NS), BENCH, now_s=0.0
    )
    writer.append_events([_event(EventKind.STARTED, 0, sequence=0)])
    writer.append_frames(_frames(0, 2))
    tick_into_parts(writer, 2.0)
    at_s = 2.0
    while at_s < length_s:
        writer.append_frames(_frames(at_s, at_s + 0.5))
        at_s += 0.5
        writer.tick(at_s)
    writer.abandon()
    return path


def _journal(path: Path) -> Path:
    """Return the journal that was written when the recorder was killed; one is made ahead."""
    return min((path / JOURNAL_FOLDER).glob("*.journal"))


def _told(path: Path) -> tuple[float, float, bool]:
    """Return after which second how many are missing at most, and whether it is said."""
    recording = Recording.open(path)
    (cut,) = recording.cut_short()
    said = [text for text in recording.describe_missing() if "without closing" in text]
    found = check_recording(recording)
    assert not found.is_complete
    assert found.to_json()["cut_short"][0]["lost_at_most_s"] == cut.lost_s
    return (cut.newest_ns - START_NS) / S, cut.lost_s, len(said) == 1


def test_a_kill_costs_what_was_not_flushed(tmp_path: Path):
    """The same before it is sealed and afterwards, and with a second seal."""
    path = _killed(tmp_path / "rec")
    assert _told(path) == (7.99, 0.2, True)
    for _ in range(2):
        seal(path)
        assert _told(path) == (7.99, 0.2, True)
    assert len(read_manifest(path).cut_short) == 1


@pytest.mark.parametrize("left", [0, 1, 43])
def test_a_journal_that_was_emptied(tmp_path: Path, left: int):
    """Six seconds are gone: not 0.2 s, but up to what a journal of its number holds."""
    path = _killed(tmp_path / "rec")
    journal = _journal(path)
    journal.write_bytes(journal.read_bytes()[:left])
    lost_s = 0.2 + longest_journal_s(1)
    assert lost_s >= 6
    assert _told(path) == (1.99, lost_s, True)
    assert any("journal 00000001" in said for said in RecordingReader(path).describe_missing())
    seal(path)
    assert _told(path) == (1.99, lost_s, True)
    assert any("journal 00000001" in said for said in RecordingReader(path).describe_missing())


def test_a_journal_damaged_in_its_middle(tmp_path: Path):
    """The bytes that cannot be read say about how much is lost."""
    path = _killed(tmp_path / "rec", length_s=9.5)
    journal = _journal(path)
    content = bytearray(journal.read_bytes())
    content[len(content) // 2] ^= 0xFF
    journal.write_bytes(content)
    newest_s, lost_s, said = _told(path)
    assert said
    assert lost_s == pytest.approx(9.5 - newest_s, rel=0.35)
    seal(path)
    assert _told(path) == (newest_s, lost_s, True)


def test_a_journal_that_was_only_begun_is_whole(tmp_path: Path):
    """Killed before its first row: its beginning is there, and nothing else was."""
    path = tmp_path / "rec"
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="t", started_ns=START_NS), BENCH, now_s=0.0
    )
    assert _journal(path).stat().st_size > 0
    # The next journal is made ahead under a name of its own, which may change while it is copied.
    shutil.copytree(path, tmp_path / "killed", ignore=shutil.ignore_patterns(".*.aside"))
    writer.close(ended_ns=START_NS + 1, cause="test")
    (tmp_path / "killed" / "live.lock").unlink()
    assert _told(tmp_path / "killed") == (0.0, 0.2, True)


def _gone_on(path: Path) -> Path:
    resume_point(path)
    writer = RecordingWriter.resume(
        path, BENCH, clock=ClockAnchor(boottime_ns=0, wall_ns=START_NS + 20 * S), now_s=0.0
    )
    pause_s = 20 - (read_manifest(path).cut_short[0].newest_ns + 1 - START_NS) / S
    writer.append_events(
        [_event(EventKind.CONTINUED, 20, sequence=1, duration_s=pause_s, value=pause_s)]
    )
    writer.append_frames(_frames(20, 21))
    writer.append_events([_event(EventKind.ENDED, 21, sequence=2)])
    writer.close(ended_ns=START_NS + 21 * S, cause="stopped")
    return path


@pytest.mark.parametrize("how", ["killed", "emptied"])
def test_it_stays_told_once_it_is_gone_on_with(tmp_path: Path, how: str):
    """A resume that ends well does not make good what the crash before it cost."""
    path = _killed(tmp_path / "rec")
    if how == "emptied":
        _journal(path).write_bytes(b"")
    before = _told(path)
    assert _told(_gone_on(path)) == before
    assert read_manifest(path).end_cause == "stopped"


def test_older_programs_did_not_name_it(tmp_path: Path):
    """Then the events say that a recorder had not ended where another resumed."""
    path = _gone_on(_killed(tmp_path / "rec"))
    before = _told(path)
    write_manifest(path, read_manifest(path).model_copy(update={"cut_short": ()}))
    told = _told(path)
    assert told == (pytest.approx(before[0], abs=1e-6), 0.2, True)


def test_a_cut_lacks_what_lies_in_it(tmp_path: Path):
    """One over the crash says so, those beside it are whole."""
    path = _gone_on(_killed(tmp_path / "rec"))
    over = copy_span(path, out=tmp_path / "over", start_ns=START_NS + 4 * S)
    assert _told(over.path)[1] == 0.2
    after = copy_span(path, out=tmp_path / "after", start_ns=START_NS + 12 * S)
    early = copy_span(path, out=tmp_path / "early", end_ns=START_NS + 4 * S)
    for made in (after, early):
        assert check_recording(Recording.open(made.path)).cut_short == ()


def _locked_by_one_that_is_gone(path: Path) -> WriteLock:
    gone = subprocess.Popen(["true"])
    gone.wait()
    lock = WriteLock(path)
    (path / LOCK_FILE).write_text(f"{gone.pid}\n", encoding="ascii")
    return lock


def test_a_recorder_that_is_gone_is_not_live_while_its_parts_are_made(tmp_path: Path):
    """What makes its parts inherits its lock and ends after it: until then nobody knows the cut."""
    path = _killed(tmp_path / "rec")
    lock = _locked_by_one_that_is_gone(path)
    ends = threading.Timer(0.3, lock.release)
    ends.start()
    found = check_recording(Recording.open(path))
    ends.join()
    assert not found.live
    assert len(found.cut_short) == 1
    assert not found.is_complete


def _emptied_after(lock: WriteLock, path: Path, after_s: float) -> None:
    """Empty a lock's file, as who releases it does first, and release it later than at once."""
    time.sleep(after_s)
    (path / LOCK_FILE).write_text("", encoding="ascii")
    time.sleep(0.1)
    lock.release()


# Longer than a lock is waited for of which nobody is known to hold it.
@pytest.mark.parametrize("after_s", [0.0, 2.3])
def test_a_lock_is_emptied_before_it_is_released(tmp_path: Path, after_s: float):
    """However long its orphan was waited for: nobody calls it live, or refuses, in between."""
    waits: list[Callable[[Path], object]] = [
        lambda path: check_recording(Recording.open(path)).live,
        check_not_written,
        lambda path: WriteLock(path).release(),
    ]
    paths = [_killed(tmp_path / str(number)) for number in range(len(waits))]
    endings = [
        threading.Thread(
            target=_emptied_after, args=(_locked_by_one_that_is_gone(path), path, after_s)
        )
        for path in paths
    ]
    for ending in endings:
        ending.start()
    with ThreadPoolExecutor(len(waits)) as pool:
        said = [future.result() for future in map(pool.submit, waits, paths)]
    for ending in endings:
        ending.join()
    assert said == [False, None, None]


def test_a_lock_that_nobody_signed_and_nobody_releases_is_a_recorders(tmp_path: Path):
    """A full disk takes no pid: the lock holds all the same."""
    path = _killed(tmp_path / "rec")
    with WriteLock(path):
        (path / LOCK_FILE).write_text("", encoding="ascii")
        assert check_recording(Recording.open(path)).live
