"""A recording's rows: written once, read alike from journal and parts, whatever ends the writer."""

import shutil
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.files import status_stream
from logger.store.layout.lock import writer_pid
from logger.store.layout.manifest import new_manifest
from logger.store.layout.schema import frames_from_table
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import ROW_GROUP_ROWS
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_request
from logger.store.repair.recovery import seal
from logger.store.writing.live_writer import RecordingWriter
from tests.support.parts import forget_ids, tick_into_parts, wait_for_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
ALL = {"start_ns": 0, "end_ns": 2**62}


def _frames() -> FrameBatch:
    return FrameBatch.concatenate(
        list(simulate_frames(hours=1 / 60, rate_Hz=100.0, seed=1, start_ns=START_NS))
    )


FRAMES = _frames()


def _writer(path: Path) -> RecordingWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return RecordingWriter(path, manifest, BENCH, now_s=0.0)


def _feed(writer: RecordingWriter, *, until_s: float, tick: bool = True) -> int:
    """Write the first `until_s` seconds, ticking as a recorder does; returns frames written."""
    plan, state, count = decode_plan(BENCH), DecodeState(), 0
    second = (FRAMES.time_ns - START_NS) * 1e-9
    for step in range(int(until_s * 10)):
        part = FRAMES.select_rows((second >= step / 10) & (second < (step + 1) / 10))
        decoded, state = decode(plan, state, part)
        writer.append_frames(part)
        for readings in decoded.readings:
            writer.append_readings(readings)
        count += len(part)
        if tick:
            writer.tick((step + 1) / 10)
    return count


def _rows(path: Path) -> dict[str, int]:
    reader = RecordingReader(path)
    return {stream: reader.read_rows(stream, **ALL).num_rows for stream in reader.schemas}


def test_rows_are_read_alike_before_and_after_sealing(tmp_path: Path):
    """Live, sealed or closed: the same rows, and a reader that follows misses and doubles none."""
    path = tmp_path / "rec"
    writer = _writer(path)
    follower = RecordingReader(path)
    count = _feed(writer, until_s=20)
    tick_into_parts(writer, 20.2)
    follower.refresh()
    live = follower.read_rows("frames", **ALL)
    assert live.num_rows == count
    assert follower.live
    assert writer_pid(path) is not None
    assert list((path / "frames").glob("part-*.parquet")), "the first part comes early"
    writer.close(ended_ns=START_NS + 20 * 10**9, cause="test")
    follower.refresh()
    assert follower.read_rows("frames", **ALL).equals(live)
    assert RecordingReader(path).read_rows("frames", **ALL).equals(live)
    assert not follower.live
    assert follower.describe_missing() == ()
    assert not list((path / "journal").iterdir())


def test_a_killed_writer_leaves_what_it_flushed(tmp_path: Path):
    """A copy of the folder at any moment is a recording: journal and parts make up the rows."""
    writer = _writer(tmp_path / "rec")
    count = _feed(writer, until_s=15)
    tick_into_parts(writer, 15.6)
    shutil.copytree(tmp_path / "rec", tmp_path / "crash", ignore=shutil.ignore_patterns(".*.aside"))
    writer.abandon()
    rows = _rows(tmp_path / "crash")
    assert rows["frames"] == count
    assert any(
        "without closing" in said for said in RecordingReader(tmp_path / "crash").describe_missing()
    )
    assert seal(tmp_path / "crash")
    assert _rows(tmp_path / "crash") == rows
    assert not seal(tmp_path / "crash")
    assert _rows(tmp_path / "crash") == rows


def test_killed_between_part_and_journal_removal_doubles_nothing(tmp_path: Path):
    """A journal whose rows are already sealed adds no row, for readers and for seal."""
    path = tmp_path / "rec"
    writer = _writer(path)
    count = _feed(writer, until_s=1.5, tick=False)
    writer.tick(0.1)
    journal = path / "journal" / "00000000.journal"
    kept = journal.read_bytes()
    tick_into_parts(writer, 3.0)
    assert not journal.exists()
    writer.abandon()
    journal.write_bytes(kept)
    assert _rows(path)["frames"] == count
    seal(path)
    assert _rows(path)["frames"] == count


def test_readers_write_nothing(tmp_path: Path):
    """Opening, reading and following changes no file."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _feed(writer, until_s=3)
    writer.close(ended_ns=START_NS + 3 * 10**9, cause="test")
    before = {file: file.stat().st_mtime_ns for file in path.rglob("*")}
    reader = RecordingReader(path)
    reader.refresh()
    reader.read_rows("frames", **ALL)
    assert {file: file.stat().st_mtime_ns for file in path.rglob("*")} == before


def test_other_programs_read_it_as_it_lies(tmp_path: Path):
    """pandas, pyarrow and DuckDB agree on the status folder, while it is being written."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _feed(writer, until_s=12)
    wait_for_parts(writer)
    frame = pd.read_parquet(path / "status")
    assert set(frame["joint"]) == {"shoulder", "elbow"}
    assert str(frame["time"].dtype) == "datetime64[ns, UTC]"
    assert frame["temperature_housing_degC"].notna().sum() > 10
    assert ds.dataset(path / "status", partitioning="hive").count_rows() == len(frame)
    found = duckdb.sql(
        f"select count(*) from read_parquet('{path}/status/*/*.parquet', hive_partitioning=true)"
    ).fetchall()
    assert found == [(len(frame),)]
    writer.abandon()


def test_the_format_keeps_its_promises(tmp_path: Path):
    """Units, the mark of a derived channel, row groups, names by rows."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _feed(writer, until_s=59)
    writer.close(ended_ns=START_NS + 59 * 10**9, cause="test")
    for file in path.rglob("part-*.parquet"):
        footer = pq.read_metadata(file)
        first, end = int(file.stem[5:17]), int(file.stem[18:])
        if "overview" not in file.parts:
            assert footer.num_rows == end - first
        assert all(
            footer.row_group(index).num_rows <= ROW_GROUP_ROWS
            for index in range(footer.num_row_groups)
        )
    schema = pq.read_schema(next((path / "status" / "joint=shoulder").glob("*.parquet")))
    assert schema.field("torque_Nm").metadata[b"ucum"] == b"N.m"
    assert b"current_A" in schema.field("torque_Nm").metadata[b"derived"]
    assert schema.field("temperature_housing_degC").metadata[b"ucum"] == b"Cel"


def test_only_one_writer(tmp_path: Path):
    """A second writer is refused in words, and the folder is not touched."""
    path = tmp_path / "rec"
    writer = _writer(path)
    with pytest.raises(InputError, match="another logger"):
        seal(path)
    with pytest.raises(InputError, match="already exists"):
        _writer(path)
    writer.abandon()
    assert writer_pid(path) is None


def test_nulls_stay_null(tmp_path: Path):
    """A channel that a frame does not carry is null, never held."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _feed(writer, until_s=2)
    writer.close(ended_ns=START_NS + 2 * 10**9, cause="test")
    table = RecordingReader(path).read_rows(status_stream("shoulder"), **ALL)
    hot = table["temperature_housing_degC"].to_pandas().isna()
    moving = table["position_rad"].to_pandas().isna()
    assert not (~hot & ~moving).any()
    assert np.count_nonzero(~hot) < np.count_nonzero(~moving)


def test_a_note_lands_with_and_without_a_logger(tmp_path: Path):
    """A request waits for the logger; left behind by it, it is an event with the next one."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _feed(writer, until_s=1)
    submit_request(path, kind="note", text="fan off <b>\u202e", who="h")
    assert len(list((path / "inbox").glob("*.json"))) == 1
    writer.close(ended_ns=START_NS + 10**9, cause="test")
    submit_request(path, kind="note", text="seen afterwards")
    events = RecordingReader(path).read_events()
    assert [event.text for event in events] == ["fan off <b>\u202e", "seen afterwards"]
    assert [event.sequence for event in events] == [0, 1]
    assert not list((path / "inbox").iterdir())
    with pytest.raises(InputError, match="no text"):
        submit_request(path, kind="note", text="  ")


def test_an_overview_seen_before_its_rows_is_not_forgotten(tmp_path: Path):
    """A reader that looks between the overview's rename and the part's takes both up later."""
    path = tmp_path / "rec"
    writer = _writer(path)
    _feed(writer, until_s=1.9)
    follower = RecordingReader(path)
    tick_into_parts(writer, 2.5)
    part = next((path / "status" / "joint=elbow").glob("part-*.parquet"))
    aside = tmp_path / part.name
    part.rename(aside)
    follower.refresh()
    assert follower.uncounted("elbow").last_row_ns is None
    aside.rename(part)
    follower.refresh()
    assert follower.uncounted("elbow").last_row_ns is not None
    writer.abandon()


def test_frames_of_an_older_writer_are_of_the_first_bus(tmp_path: Path):
    """A part without the column that tells the bus is read as what it was: of the only one."""
    path = tmp_path / "rec"
    writer = _writer(path)
    writer.append_frames(
        FrameBatch.from_rows([(START_NS, 0x281, 0, b"\x01"), (START_NS + 1, 2, 0, b"")])
    )
    writer.close(ended_ns=START_NS + 2, cause="done")
    forget_ids(path)
    (part,) = list_parts(path / "frames")
    pq.write_table(pq.read_table(part.path, partitioning=None).drop_columns(["bus"]), part.path)
    frames = frames_from_table(RecordingReader(path).read_rows("frames", start_ns=0, end_ns=2**62))
    assert frames.bus.tolist() == [0, 0]
    assert frames.identifier.tolist() == [0x281, 2]
