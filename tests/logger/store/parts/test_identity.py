"""A part says whose it is: one that lies elsewhere is told, and read as nothing."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import astuple
from itertools import combinations
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.files import derived_stream, overview_stream, status_stream
from logger.store.layout.manifest import new_manifest, read_manifest
from logger.store.layout.remote import location_of
from logger.store.layout.schema import table_of_rows
from logger.store.parts.identity import MisplacedPartError, PartIdentity, PartOwner
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import copy_part, part_name, write_part
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import write_tar
from logger.store.tools.unpack import extract_recording
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.parts import forget_ids, parts_of, tick_into_parts

START_NS = 1_795_000_000_000_000_000
ROWS = 300
PARTS = 3
BENCH = scenario.scenario_bench(channel="x")
JOINTS = ("elbow", "shoulder")
CHANNEL = "temperature_housing_degC"
ALL = {"start_ns": 0, "end_ns": 2**62}


def _recorded(
    path: Path, *, seed: int = 0, parts: int = PARTS, period_ns: int = 10_000_000
) -> Path:
    """Record parts of equal rows of every stream, each with values of its own."""
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="t", started_ns=START_NS), BENCH, now_s=0.0
    )
    for part in range(parts):
        times = START_NS + (part * ROWS + np.arange(ROWS)) * period_ns
        for index, joint in enumerate(JOINTS):
            dice = np.random.default_rng([seed, part, index])
            writer.append_readings(
                ReadingBatch(
                    joint=joint,
                    time_ns=times,
                    position_segment=np.full(ROWS, -1, np.int32),
                    columns={CHANNEL: dice.normal(40.0 + 10 * index, 1.0, ROWS)},
                )
            )
        writer.append_frames(
            FrameBatch.from_rows([(int(time_ns), 0x281, 0, bytes([seed])) for time_ns in times])
        )
        for stream in ("health", "buses", *map(derived_stream, JOINTS)):
            rows = [{"time": int(time_ns), "bus": 0} for time_ns in times]
            schema = writer._streams[stream]
            kept = [{name: row[name] for name in row if name in schema.names} for row in rows]
            writer.append_rows(stream, table_of_rows(kept, schema))
        writer.append_events(
            [
                Event(sequence=part * ROWS + row, time_ns=int(time_ns), kind=EventKind.NOTE)
                for row, time_ns in enumerate(times)
            ]
        )
        tick_into_parts(writer, 1000.0 * (part + 1))
    writer.close(ended_ns=START_NS + parts * ROWS * period_ns, cause="test")
    return path


def _exchange(one: Path, other: Path) -> None:
    aside = one.with_name("aside")
    one.rename(aside)
    other.rename(one)
    aside.rename(other)


def _file(recording: Path, stream: str, part: int = 1) -> Path:
    return recording / stream / part_name(part * ROWS, (part + 1) * ROWS)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a recording whose streams all have parts of the same rows."""
    path = _recorded(tmp_path_factory.mktemp("whole") / "rec")
    assert check_recording(Recording.open(path)).is_complete
    return path


@pytest.fixture
def copied(whole: Path, tmp_path: Path) -> Path:
    """Give a copy of it to do harm to; it is the same recording."""
    return Path(shutil.copytree(whole, tmp_path / "rec"))


STREAMS = (
    *("frames", "events", "health", "buses"),
    *(kind(joint) for joint in JOINTS for kind in (status_stream, derived_stream)),
)


@pytest.mark.parametrize(("one", "other"), list(combinations(STREAMS, 2)))
def test_parts_of_two_streams_exchanged(copied: Path, whole: Path, one: str, other: str):
    """Both are told with what was found and expected; nothing of them is read, all else is."""
    _exchange(_file(copied, one), _file(copied, other))
    recording, before = Recording.open(copied), RecordingReader(whole)
    for stream in STREAMS:
        rows = before.read_rows(stream, **ALL)
        if stream in (one, other):
            rows = pa.concat_tables([rows.slice(0, ROWS), rows.slice(2 * ROWS)])
        assert recording.read_rows(stream, **ALL).equals(rows), stream
    found = check_recording(recording)
    assert not found.is_complete
    recording_id = read_manifest(copied).recording_id
    assert {path: error.found for path, error in found.misplaced} == {
        f"{stream}/{part_name(ROWS, 2 * ROWS)}": PartIdentity(recording_id, origin, ROWS, 2 * ROWS)
        for stream, origin in ((one, other), (other, one))
    }
    assert sum("it is not of this place" in said for said in found.missing) == 2
    json.dumps(found.to_json())
    _exchange(_file(copied, one), _file(copied, other))
    assert check_recording(Recording.open(copied)).is_complete, "put back, nothing is lost"


def test_parts_of_two_recordings_and_of_other_rows(copied: Path, tmp_path: Path):
    """The same stream and rows of another recording; the same stream at another place."""
    other = _recorded(tmp_path / "other", seed=1)
    shutil.copyfile(_file(other, "frames"), _file(copied, "frames"))
    elbow = status_stream("elbow")
    _exchange(_file(copied, elbow, 0), _file(copied, elbow, 2))
    recording = Recording.open(copied)
    assert recording.row_count("frames") == (PARTS - 1) * ROWS
    assert recording.row_count(elbow) == ROWS
    found = dict(check_recording(recording).misplaced)
    assert len(found) == 3
    stated = found[f"frames/{part_name(ROWS, 2 * ROWS)}"]
    assert stated.found.recording_id == read_manifest(other).recording_id
    assert stated.expected.recording_id == read_manifest(copied).recording_id
    assert seal(copied) is False
    assert len(check_recording(Recording.open(copied)).misplaced) == 3, "sealing leaves them there"


def test_told_at_an_address_and_once_unpacked(copied: Path, tmp_path: Path):
    """Wherever it is read: the same answer."""
    _exchange(*(_file(copied, status_stream(joint)) for joint in JOINTS))
    here = check_recording(Recording.open(copied))
    there = check_recording(Recording.open(location_of(f"file://{copied}")))
    write_tar(copied, tmp_path / "rec.tar")
    unpacked = check_recording(
        Recording.open(extract_recording(tmp_path / "rec.tar", tmp_path / "theirs"))
    )
    assert len(here.misplaced) == 2
    assert here.to_json() == there.to_json() == unpacked.to_json()


def _figures(path: Path) -> Iterator[tuple[list[float], list[int], list[float]]]:
    """Return what the pyramid answers of both joints: statistics of a span, and tenths."""
    recording = Recording.open(path)
    end_ns = START_NS + 2 * 10**9
    for joint in JOINTS:
        of_span = span_statistics(recording, joint, CHANNEL, START_NS, end_ns)
        tenths, _ = recording.read_tenths(joint, CHANNEL, start_ns=START_NS, end_ns=end_ns)
        yield list(astuple(of_span)), tenths.start_ns.tolist(), tenths.minimum.tolist()


@pytest.mark.parametrize(
    "level",
    ["", *(pytest.param(one, marks=pytest.mark.slow) for one in ("/width=5s", "/width=100ms"))],
)
def test_overviews_of_two_joints_exchanged(tmp_path: Path, level: str):
    """They are read from the rows until `seal` makes them anew: the figures stay the same."""
    whole = _recorded(tmp_path / "whole", parts=10, period_ns=1_000_000)
    path = Path(shutil.copytree(whole, tmp_path / "rec"))
    folders = [path / f"{overview_stream(joint)}{level}" for joint in JOINTS]
    files = sorted(folders[0].glob("part-*.parquet"))
    assert files
    for file in files:
        _exchange(file, folders[1] / file.name)
    for (of_span, starts, lowest), (as_before, all_starts, all_lowest) in zip(
        _figures(path), _figures(whole), strict=True
    ):
        assert of_span == pytest.approx(as_before, rel=1e-9)
        # From where on the rows are read there are no tenths; those before are right.
        assert starts == all_starts[: len(starts)]
        assert lowest == all_lowest[: len(lowest)]
    assert seal(path)
    for joint in JOINTS:
        parts = parts_of(path, f"{overview_stream(joint)}{level}")
        assert [part.verify_part() for part in parts] == [""] * len(files)


def test_it_stays_through_a_move_a_pack_and_a_resume(copied: Path, tmp_path: Path):
    """One recording is one id, wherever it lies; a cut is another."""
    recording_id = read_manifest(copied).recording_id
    moved = copied.rename(tmp_path / "another-name")
    assert check_recording(Recording.open(moved)).is_complete
    write_tar(moved, tmp_path / "rec.tar")
    unpacked = extract_recording(tmp_path / "rec.tar", tmp_path / "theirs")
    assert read_manifest(unpacked).recording_id == recording_id
    manifest = read_manifest(unpacked)
    writer = RecordingWriter.resume(unpacked, BENCH, clock=manifest.clock, now_s=0.0)
    writer.append_frames(FrameBatch.from_rows([(manifest.ended_ns + 1, 0x281, 0, b"")]))
    writer.close(ended_ns=manifest.ended_ns + 2, cause="test")
    assert read_manifest(unpacked).recording_id == recording_id
    assert check_recording(Recording.open(unpacked)).is_complete
    made = copy_span(unpacked, out=tmp_path / "cut", end_ns=START_NS + 2 * 10**9)
    assert len(read_manifest(made.path).recording_id) == 32
    assert read_manifest(made.path).recording_id != recording_id
    assert check_recording(Recording.open(made.path)).is_complete


def test_a_part_without_an_owner_in_a_recording_with_an_id(copied: Path):
    """An older recorder's part, put among new ones, does not say whose it is: so it is nobody's."""
    table = pq.read_table(_file(copied, "frames"), partitioning=None)
    write_part(copied / "frames", table, first_row=ROWS)
    ((_, misplaced),) = check_recording(Recording.open(copied)).misplaced
    assert misplaced.found is None


def test_an_older_recording_reads_as_before(copied: Path, whole: Path):
    """Without an id its parts need none; those that are added to it state that there is none."""
    forget_ids(copied)
    assert check_recording(Recording.open(copied)).is_complete
    manifest = read_manifest(copied)
    writer = RecordingWriter.resume(copied, BENCH, clock=manifest.clock, now_s=0.0)
    writer.append_frames(FrameBatch.from_rows([(manifest.ended_ns + 1, 0x281, 0, b"")]))
    writer.close(ended_ns=manifest.ended_ns + 2, cause="test")
    assert read_manifest(copied).recording_id == ""
    assert check_recording(Recording.open(copied)).is_complete
    shutil.copyfile(_file(whole, "frames"), _file(copied, "frames"))
    ((_, misplaced),) = check_recording(Recording.open(copied)).misplaced
    assert misplaced.found.recording_id == read_manifest(whole).recording_id


KINDS = ("frames", "events", "health", "buses", status_stream("elbow"), derived_stream("elbow"))


@pytest.mark.parametrize(("one", "other"), list(combinations(KINDS, 2)))
def test_streams_of_an_older_recording_exchanged(copied: Path, one: str, other: str):
    """Its parts do not say whose they are, but their columns do: told, no traceback."""
    forget_ids(copied)
    _exchange(_file(copied, one), _file(copied, other))
    recording = Recording.open(copied)
    found = check_recording(recording)
    assert [error.found for _, error in found.misplaced] == [None, None]
    for stream in STREAMS:
        recording.read_rows(stream, **ALL)
    recording.read_events()


def test_what_a_footer_states_is_covered_by_its_sum(tmp_path: Path):
    """Not one byte of it changes unseen."""
    owner = PartOwner("0" * 32, "frames")
    (tmp_path / "frames").mkdir()
    path = write_part(tmp_path / "frames", pa.table({"time": [1, 2]}), first_row=0, owner=owner)
    content = path.read_bytes()
    begin = content.index(b'{"recording"')
    for place in range(begin, begin + len(owner.part(0, 2).to_bytes())):
        flipped = bytearray(content)
        flipped[place] ^= 1
        path.write_bytes(bytes(flipped))
        (part,) = list_parts(tmp_path / "frames", owner)
        assert "not what was written" in part.verify_error
        assert part.misplaced is None


def test_a_damaged_part_stays_damaged_when_it_is_copied(copied: Path, tmp_path: Path):
    """The copy says that it is of its new recording, and its damage is still seen."""
    part = parts_of(copied, "frames")[1]
    content = bytearray(part.path.read_bytes())
    content[50] ^= 0xFF
    part.path.write_bytes(bytes(content))
    part = parts_of(copied, "frames")[1]
    (tmp_path / "new" / "frames").mkdir(parents=True)
    owner = PartOwner("f" * 32, "frames")
    copy_part(part, tmp_path / "new" / "frames", owner)
    (copy,) = list_parts(tmp_path / "new" / "frames", owner)
    assert copy.verify_error == ""
    assert "is not what was written" in copy.verify_part()


@pytest.mark.parametrize(
    "value",
    [
        *(b"", b"{", b"[]", b"7", b"\xff", b"[" * 1900, b"[" * 99999),
        *(b'{"recording":"","stream":"x"}', b'{"rows":[1]}', b'{"rows":7}'),
        b'{"recording":"","stream":"x","rows":[1,1e999]}',
        b'{"recording":"","stream":"x","rows":[1,' + b"9" * 1900 + b"e1]}",
        b'{"recording":7,"stream":"x","rows":[1,2]}',
        b'{"recording":"","stream":"\\u001b[2J","rows":[1,2]}',
    ],
)
def test_what_states_nothing_that_can_be_read(value: bytes):
    """A sentence, whatever stands there."""
    with pytest.raises(ValueError, match="does not say whose part it is"):
        PartOwner("0" * 32, "frames").verify_stated(value, (), first_row=0, end_row=1)
    assert issubclass(MisplacedPartError, ValueError)
