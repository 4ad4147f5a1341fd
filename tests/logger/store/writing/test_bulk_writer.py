"""A recording that is made at once: there when it is whole, else not at all."""

import fcntl
import os
from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputError, OutsideFault
from logger.joint.batch import FrameBatch
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.files import LOCK_FILE
from logger.store.layout.manifest import new_manifest
from logger.store.parts.part import list_parts
from logger.store.reading.reader import RecordingReader
from logger.store.writing.bulk_writer import BulkWriter, staging_path

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _writer(path: Path, *, part_rows: int = 1000) -> BulkWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return BulkWriter(path, manifest, BENCH, part_rows=part_rows)


def _frames(first: int, count: int) -> FrameBatch:
    return FrameBatch.from_rows(
        [(START_NS + place, 0x2C3, 0, place.to_bytes(8)) for place in range(first, first + count)]
    )


def test_it_appears_whole(tmp_path: Path):
    """Nothing under its name until it is closed; then every row, in parts of a bounded size."""
    path = tmp_path / "rec"
    writer = _writer(path)
    for first in range(0, 5000, 500):
        writer.append_frames(_frames(first, 500))
        writer.tick()
        assert not path.exists()
    writer.append_events([Event(sequence=0, time_ns=START_NS, kind="note", text="x")])
    assert writer.row_count("frames") == 5000
    writer.close(ended_ns=START_NS + 5000, cause="end")
    assert [entry.name for entry in tmp_path.iterdir()] == ["rec"]
    assert [part.end_row for part in list_parts(path / "frames")] == [1000, 2000, 3000, 4000, 5000]
    reader = RecordingReader(path)
    assert (reader.row_count("frames"), reader.row_count("events")) == (5000, 1)
    assert not reader.describe_missing()
    assert not reader.live
    times = reader.read_rows("frames", start_ns=0, end_ns=2**62)["time"].cast("int64").to_numpy()
    np.testing.assert_array_equal(times, START_NS + np.arange(5000))


def test_slow_streams_are_parts_when_they_are_worth_one(tmp_path: Path):
    """A few events do not become a part with each part of the frames; none is lost at the end."""
    path = tmp_path / "rec"
    writer = _writer(path)
    for first in range(0, 5000, 500):
        writer.append_frames(_frames(first, 500))
        writer.append_events(
            [Event(sequence=first, time_ns=START_NS + first, kind="note", text="x")]
        )
        writer.tick()
    writer.close(ended_ns=START_NS + 5000, cause="end")
    assert len(list_parts(path / "frames")) > 3
    assert [part.end_row for part in list_parts(path / "events")] == [10]
    assert [event.sequence for event in RecordingReader(path).read_events()] == [
        *range(0, 5000, 500)
    ]


def test_abandoned_it_leaves_nothing(tmp_path: Path):
    """Neither the folder aside nor a part that was just being written."""
    writer = _writer(tmp_path / "deep" / "rec", part_rows=100)
    writer.append_frames(_frames(0, 5000))
    writer.tick()
    writer.abandon()
    assert list((tmp_path / "deep").iterdir()) == []


def test_what_a_kill_left_is_removed(tmp_path: Path):
    """A folder aside that nobody holds is begun anew; one that is held is refused."""
    path = tmp_path / "rec"
    aside = staging_path(path)
    (aside / "frames").mkdir(parents=True)
    (aside / "frames" / "part-000000000000-000000000007.parquet").write_bytes(b"torn")
    writer = _writer(path)
    with pytest.raises(InputError, match="another logger"):
        _writer(path)
    writer.close(ended_ns=START_NS, cause="end")
    assert not aside.exists()
    assert RecordingReader(path).row_count("frames") == 0
    descriptor = os.open(path / LOCK_FILE, os.O_RDONLY)
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(descriptor)


@pytest.mark.parametrize("kind", ["folder", "file", "dangling link"])
def test_an_existing_target_is_refused(tmp_path: Path, kind: str):
    """Whatever has the name already stays as it is, at the beginning and at the end."""
    path = tmp_path / "rec"
    late = _writer(path)
    if kind == "folder":
        path.mkdir()
    elif kind == "file":
        path.write_text("mine")
    else:
        path.symlink_to("nowhere")
    with pytest.raises(InputError, match="already exists"):
        _writer(path)
    with pytest.raises(InputError, match="already exists"):
        late.close(ended_ns=START_NS, cause="end")
    late.abandon()
    assert [entry.name for entry in tmp_path.iterdir()] == ["rec"]


def test_a_disk_that_takes_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A part that cannot be written is told by the next call, in one sentence."""

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("logger.store.writing.sealer.write_part", full)
    writer = _writer(tmp_path / "rec", part_rows=100)
    writer.append_frames(_frames(0, 200))
    writer.tick()
    writer.append_frames(_frames(200, 200))
    with pytest.raises(OutsideFault, match=r"No space left.*nothing was left behind"):
        writer.tick()
    writer.abandon()
    assert list(tmp_path.iterdir()) == []


def test_what_killed_jobs_left_is_cleared_by_the_next(tmp_path: Path):
    """Of any name, once it is known to be dead: its lock is old and nobody holds it."""
    dead, young, alive, other = (
        staging_path(tmp_path / name) for name in ("dead", "young", "alive", "other")
    )
    for folder in (dead, young, alive):
        folder.mkdir()
        (folder / "part.parquet").write_text("half")
        (folder / LOCK_FILE).write_text("1\n")
    other.mkdir()
    for folder in (dead, alive):
        os.utime(folder / LOCK_FILE, (1e9, 1e9))
    held = os.open(alive / LOCK_FILE, os.O_RDWR)
    fcntl.flock(held, fcntl.LOCK_EX)
    try:
        _writer(tmp_path / "rec").abandon()
    finally:
        os.close(held)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == [
        ".alive.aside",
        ".other.aside",
        ".young.aside",
    ]
