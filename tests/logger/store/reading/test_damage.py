"""Full disks, damaged files, folders that cannot be written: told, and the rest is read."""

import contextlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from logger.errors import InputError, OutsideFault
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.files import status_stream, write_atomically
from logger.store.layout.lock import WriteLock, writer_pid
from logger.store.layout.manifest import ClockAnchor, Manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_request
from logger.store.repair.recovery import seal
from logger.store.writing.journal import JournalReader, journal_files
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
ALL = {"start_ns": 0, "end_ns": 2**62}


def _manifest() -> Manifest:
    return Manifest(
        name="t",
        started_ns=START_NS,
        clock=ClockAnchor(boottime_ns=0, wall_ns=START_NS),
        bench=BENCH.text,
        layouts=dict(BENCH.layout_texts),
        limits=scenario.scenario_limits_text(),
    )


def _readings(first: int, count: int) -> ReadingBatch:
    dice = np.random.default_rng(first)
    return ReadingBatch(
        joint="elbow",
        time_ns=START_NS + (first + np.arange(count)) * 1_000_000,
        position_segment=np.full(count, -1, np.int32),
        columns={"temperature_housing_degC": dice.normal(40.0, 1.0, count)},
    )


def _three_parts(path: Path) -> None:
    writer = RecordingWriter(path, _manifest(), BENCH, now_s=0.0, flush_policy=SEALED_HERE)
    for index in range(3):
        writer.append_readings(_readings(index * 1000, 1000))
        tick_into_parts(writer, 1000.0 * (index + 1))
    writer.close(ended_ns=START_NS + 3_000_000_000, cause="test")


@pytest.fixture
def small_disk(tmp_path: Path):
    """Give a folder on a disk of one megabyte; skipped where none can be made."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(folder)],
        capture_output=True,
        check=False,
    )
    if not mounted or mounted.returncode:
        pytest.skip("a small disk needs the right to mount one")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_disk_that_fills_up(small_disk: Path):
    """An outside fault; every row that the journal took is read, before and after seal."""
    path = small_disk / "rec"
    writer = RecordingWriter(path, _manifest(), BENCH, now_s=0.0)
    given = 0
    with pytest.raises(OutsideFault, match=r"No space left.*whole"):  # noqa: PT012 - some tick ends it
        for index in range(2000):
            writer.append_readings(_readings(index * 500, 500))
            given += 500
            writer.tick(index * 0.1)
    writer.abandon()
    assert writer_pid(path) is None
    reader = RecordingReader(path)
    table = reader.read_rows(status_stream("elbow"), **ALL)
    assert 500 <= table.num_rows < given
    times = table["time"].cast(pa.int64()).to_numpy()
    np.testing.assert_array_equal(times, START_NS + np.arange(len(times)) * 1_000_000)
    with pytest.raises(OutsideFault, match=r"No space left.*journals are still there"):
        seal(path)
    assert RecordingReader(path).read_rows(status_stream("elbow"), **ALL).equals(table)
    assert not list(path.rglob("*.aside"))
    with pytest.raises(OutsideFault):
        submit_request(path, kind="note", text="the disk is full")
    subprocess.run(["mount", "-o", "remount,size=8m", str(small_disk)], check=True)
    assert seal(path)
    assert RecordingReader(path).read_rows(status_stream("elbow"), **ALL).equals(table)


def test_a_disk_that_is_full_before_the_beginning(small_disk: Path):
    """Nothing is recorded and nothing is left behind."""
    with (small_disk / "filler").open("wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(bytes(4096))
    with pytest.raises((OutsideFault, InputError), match="No space left"):
        RecordingWriter(small_disk / "rec", _manifest(), BENCH, now_s=0.0)
    assert [file.name for file in small_disk.iterdir()] == ["filler"]


def test_a_file_is_put_whole_or_not_at_all(tmp_path: Path):
    """A fault while it is written leaves what was there, and nothing beside it."""
    path = tmp_path / "file"
    write_atomically(path, lambda file: file.write(b"old"))

    def fails(file):
        file.write(b"new")
        raise OSError("full")

    with pytest.raises(OSError, match="full"):
        write_atomically(path, fails)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("stream", ["status/joint=elbow", "overview/joint=elbow", "events"])
@pytest.mark.parametrize("how", ["cut", "empty", "zeroed"])
def test_a_damaged_part_is_told(tmp_path: Path, stream: str, how: str):
    """The recording opens, check says which file, and the rest is read."""
    path = tmp_path / "rec"
    _three_parts(path)
    submit_request(path, kind="note", text="a note")
    shutil.copytree(path, tmp_path / "whole")
    whole = Recording.open(tmp_path / "whole")
    part = sorted((path / stream).glob("part-*.parquet"))[0]
    content = part.read_bytes()
    part.write_bytes({"cut": content[:-1], "empty": b"", "zeroed": bytes(len(content))}[how])
    recording = Recording.open(path)
    found = check_recording(recording)
    if stream.startswith("overview"):
        assert found.is_complete, "no row is lost"
        assert found.gaps == check_recording(whole).gaps
        span = ("elbow", "temperature_housing_degC", START_NS, START_NS + 3_000_000_000)
        assert span_statistics(recording, *span).n == 3000
        assert span_statistics(recording, *span).mean == pytest.approx(
            span_statistics(whole, *span).mean
        )
    else:
        assert not found.is_complete
        assert any(part.name in said and stream in said for said in found.missing)
    find_excursions(recording)
    recording.read_events()
    rows = recording.read_readings("elbow", START_NS, START_NS + 3_000_000_000)
    assert len(rows) == (2000 if stream.startswith("status") else 3000)


def test_damaged_rows_are_a_sentence(tmp_path: Path):
    """Flipped bytes behind a good footer: a sentence that names the file, no traceback."""
    path = tmp_path / "rec"
    _three_parts(path)
    part = sorted((path / "status" / "joint=elbow").glob("part-*.parquet"))[1]
    content = bytearray(part.read_bytes())
    content[4:2000] = bytes(1996)
    part.write_bytes(bytes(content))
    with pytest.raises(InputError, match=f"{part.name}.*damaged"):
        Recording.open(path).read_readings("elbow", START_NS, START_NS + 3_000_000_000)


def test_a_part_that_is_gone_is_told(tmp_path: Path):
    """In the middle by its rows, at the end by the counts in recording.json."""
    path = tmp_path / "rec"
    _three_parts(path)
    parts = sorted((path / "status" / "joint=elbow").glob("part-*.parquet"))
    parts[1].unlink()
    assert (
        "status/joint=elbow: rows 1000 to 1999 are missing."
        in RecordingReader(path).describe_missing()
    )
    parts[2].unlink()
    assert (
        "status/joint=elbow: rows 1000 to 2999 are missing."
        in RecordingReader(path).describe_missing()
    )


def test_a_journal_that_is_damaged_is_told_and_its_beginning_kept(tmp_path: Path):
    """A flipped byte in the middle: the rows before it are sealed, and the bytes are counted."""
    path = tmp_path / "rec"
    writer = RecordingWriter(path, _manifest(), BENCH, now_s=0.0)
    for index in range(10):
        writer.append_readings(_readings(index * 100, 100))
    writer.abandon()
    (_, journal), *_ = journal_files(path / "journal")
    content = bytearray(journal.read_bytes())
    content[len(content) // 2] ^= 0xFF
    journal.write_bytes(bytes(content))
    kept = sum(run.batch.num_rows for run in JournalReader(journal).read_new_rows())
    assert 0 < kept < 1000
    reader = RecordingReader(path)
    assert any("hold no whole record" in said for said in reader.describe_missing())
    assert seal(path)
    assert RecordingReader(path).row_count(status_stream("elbow")) == kept


def test_the_lock_keeps_another_process_out(tmp_path: Path):
    """Both ways: who has it, in words with its pid; and it goes with its process."""
    script = (
        "import sys, time; from pathlib import Path\n"
        "from logger.store.layout.lock import WriteLock\n"
        "lock = WriteLock(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[4],
    )
    try:
        assert other.stdout.readline() == "held\n"
        assert writer_pid(tmp_path) == other.pid
        with pytest.raises(InputError, match=f"pid {other.pid}"):
            WriteLock(tmp_path)
    finally:
        other.kill()
        other.wait()
        other.stdout.close()
    assert writer_pid(tmp_path) is None
    with WriteLock(tmp_path):
        assert writer_pid(tmp_path) == os.getpid()
    assert writer_pid(tmp_path) is None


def test_a_lock_that_cannot_be_made(tmp_path: Path):
    """A sentence, as for every folder that cannot be written."""
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match="cannot be written"):
        WriteLock(tmp_path / "file")
