"""A reader that follows a writer: every row once, at every moment, while parts are sealed."""

import os
import threading
import time
from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from logger.errors import OutsideFault
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.live_writer import RecordingWriter
from tests.support.parts import SEALED_HERE, tick_into_parts, wait_for_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
STREAM = status_stream("elbow")
ALL = {"start_ns": 0, "end_ns": 2**62}
MS = 1_000_000


def _writer(path: Path, rhythm: FlushPolicy) -> RecordingWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=rhythm)


def _readings(first: int, count: int) -> ReadingBatch:
    rows = np.arange(first, first + count)
    return ReadingBatch(
        joint="elbow",
        time_ns=START_NS + rows * MS,
        position_segment=np.full(count, -1, np.int32),
        columns={"voltage_V": rows.astype(np.float64)},
    )


def _is_prefix(reader: RecordingReader) -> int:
    """Check that the rows are 0, 1, 2 ...; return how many there are."""
    table = reader.read_rows(STREAM, **ALL)
    values = table["voltage_V"].to_numpy()
    np.testing.assert_array_equal(values, np.arange(len(values)))
    assert reader.row_count(STREAM) >= len(values)
    return len(values)


def test_readers_that_follow_see_every_row_once(tmp_path: Path):
    """Old and new readers, hammering while a part is sealed every few milliseconds."""
    path = tmp_path / "rec"
    writer = _writer(path, replace(SEALED_HERE, flush_s=0.0, first_part_s=0.01, max_part_s=0.02))
    done = threading.Event()
    faults: list[BaseException] = []

    def follow(*, anew: bool) -> None:
        try:
            reader, seen = RecordingReader(path), 0
            while not done.is_set():
                reader = RecordingReader(path) if anew else reader
                reader.refresh()
                count = _is_prefix(reader)
                assert count >= seen
                seen = count
                # The readers are here to disturb, not to starve the writer.
                time.sleep(0.002)
        except BaseException as fault:  # noqa: BLE001 - it is raised again by the test
            faults.append(fault)

    readers = [threading.Thread(target=follow, kwargs={"anew": anew}) for anew in (False, True)]
    for reader in readers:
        reader.start()
    begun, given, parts = time.monotonic(), 0, 0
    while (now_s := time.monotonic() - begun) < 2.0 or (parts <= 10 and now_s < 60.0):
        if faults:
            break
        writer.append_readings(_readings(given, 7))
        given += 7
        writer.tick(now_s)
        time.sleep(0.001)
        parts = len(list((path / STREAM).glob("part-*.parquet")))
    writer.close(ended_ns=START_NS + given * MS, cause="test")
    done.set()
    for reader in readers:
        reader.join()
    if faults:
        raise faults[0]
    assert parts > 10
    assert _is_prefix(RecordingReader(path)) == given
    assert len(pd.read_parquet(path / "status")) == given


def test_a_part_that_is_renamed_in_the_tick_of_its_making_is_seen(tmp_path: Path):
    """A folder's time moves in ticks: what comes within one tick is not passed over for ever."""
    path = tmp_path / "rec"
    writer = _writer(path, FlushPolicy(first_part_s=1.0))
    writer.append_readings(_readings(0, 10))
    tick_into_parts(writer, 2.0)
    (part,) = (path / STREAM).iterdir()
    aside = tmp_path / "aside"
    part.rename(aside)
    reader = RecordingReader(path)
    assert _is_prefix(reader) == 0
    stamp = (path / STREAM).stat()
    aside.rename(part)

    os.utime(path / STREAM, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert reader.refresh()
    assert _is_prefix(reader) == 10
    writer.abandon()


def test_rows_of_a_journal_whose_part_was_listed_first_are_not_doubled(tmp_path: Path):
    """The journal's end is read after the part is seen, as long as the journal is still there."""
    path = tmp_path / "rec"
    writer = _writer(path, replace(SEALED_HERE, first_part_s=1.0))
    writer.append_readings(_readings(0, 10))
    writer.tick(0.1)
    reader = RecordingReader(path)
    writer.append_readings(_readings(10, 5))
    with mock.patch.object(Path, "unlink"):
        tick_into_parts(writer, 2.0)
    with mock.patch.object(reader, "_read_journals", return_value=False):
        assert reader.refresh()
    for _ in range(2):
        assert _is_prefix(reader) == reader.row_count(STREAM) == 15
        reader.refresh()
    writer.abandon()


def test_parts_come_early_and_then_ever_less_often(tmp_path: Path):
    """The first within five seconds, later ones at twice the distance, ten minutes at most."""
    # Syncing is left out: four thousand seconds pass here in one.
    writer = _writer(tmp_path / "rec", replace(SEALED_HERE, sync_s=1e9))
    sealed_s = []
    for second in range(4000):
        writer.append_readings(_readings(second, 1))
        before = writer._journal.number
        tick_into_parts(writer, float(second))
        if writer._journal.number != before:
            sealed_s.append(second)
    writer.abandon()
    assert sealed_s[0] <= 5
    distances = np.diff(sealed_s)
    assert (distances[:6] >= np.array([4, 8, 16, 32, 64, 128])).all()
    assert distances.max() <= 601


def test_many_rows_start_a_part_before_its_time(tmp_path: Path):
    """What has to be read to make a part stays bounded."""
    path = tmp_path / "rec"
    writer = _writer(path, replace(SEALED_HERE, first_part_s=1e9, max_rows=1000))
    for index in range(30):
        writer.append_readings(_readings(index * 100, 100))
        tick_into_parts(writer, float(index))
    assert len(list((path / STREAM).glob("part-*.parquet"))) == 3
    writer.abandon()


@pytest.mark.parametrize(("buses", "flush_s"), [(1, 0.05), (2, 0.02)])
def test_flushed_within_a_twentieth_of_a_second(tmp_path: Path, buses: int, flush_s: float):
    """Rows are with the kernel before any part; sooner where they waited for several buses."""
    path = tmp_path / "rec"
    bench = replace(BENCH, buses=BENCH.buses * buses)
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, bench, now_s=0.0)
    writer.append_readings(_readings(0, 3))
    writer.tick(flush_s - 0.01)
    assert RecordingReader(path).row_count(STREAM) == 0
    writer.tick(flush_s + 0.001)
    assert RecordingReader(path).row_count(STREAM) == 3
    writer.abandon()


def test_a_slow_disk_holds_no_flush_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """While a sync takes its time, rows go on to the kernel: a killed recorder loses none."""
    released = threading.Event()
    path = tmp_path / "rec"
    writer = _writer(path, FlushPolicy(first_part_s=1e9))
    wait_for_parts(writer)
    monkeypatch.setattr(
        "logger.store.writing.journal.os.fdatasync", lambda _file: released.wait(60)
    )
    begun = time.monotonic()
    for index in range(5):
        writer.append_readings(_readings(index, 1))
        writer.tick(1.1 + index)
        assert RecordingReader(path).row_count(STREAM) == index + 1
    assert time.monotonic() - begun < 30
    released.set()
    writer.abandon()


def test_a_sync_that_fails_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Not passed over: the next call says so."""

    def fails(_file: int) -> None:
        raise OSError(5, "Input/output error")

    writer = _writer(tmp_path / "rec", FlushPolicy(first_part_s=1e9))
    wait_for_parts(writer)
    monkeypatch.setattr("logger.store.writing.journal.os.fdatasync", fails)
    writer.append_readings(_readings(0, 1))
    writer.tick(1.1)
    with pytest.raises(OutsideFault, match="Input/output error"):  # noqa: PT012 - some call says it
        for index in range(200):
            writer.tick(2.0 + index)
            time.sleep(0.01)
    writer.abandon()
    assert RecordingReader(tmp_path / "rec").row_count(STREAM) == 1


def test_a_reader_that_opens_while_it_begins_sees_an_empty_recording(tmp_path: Path):
    """No row yet: it opens, is live, and has nothing to say."""
    path = tmp_path / "rec"
    writer = _writer(path, FlushPolicy())
    reader = RecordingReader(path)
    assert reader.live
    assert reader.span_ns(STREAM) is None
    assert reader.newest_row("health") is None
    assert reader.read_events() == ()
    assert reader.read_rows(STREAM, **ALL).schema.field("time").type == pa.timestamp("ns", tz="UTC")
    assert reader.describe_missing() == ()
    assert not reader.refresh()
    writer.close(ended_ns=START_NS + 1, cause="test")
    assert reader.describe_missing() == (), "it was closed, though that was not read yet"
    assert reader.refresh()
    assert not reader.live
