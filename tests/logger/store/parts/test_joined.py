"""Joined copies of small parts: the same rows in a few files, and never more than a copy."""

import os
from itertools import pairwise
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.event_kind import EventKind
from logger.simulate import scenario
from logger.store.layout.events import Event, events_table
from logger.store.layout.files import joined_stream
from logger.store.layout.manifest import new_manifest, write_manifest
from logger.store.parts import joined, part_file
from logger.store.parts.identity import PartOwner
from logger.store.parts.joined import cover_parts, join_parts, rejoin_parts
from logger.store.parts.part import Part
from logger.store.parts.part_writer import write_part
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from tests.support.parts import forget_ids, owner_of, parts_of

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
JOINED = joined_stream("events")


@pytest.fixture(autouse=True)
def without_syncs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of files, of which none has to survive a power cut."""
    monkeypatch.setattr(os, "fsync", lambda _descriptor: None)


def _recording(path: Path, parts: int, *, events: int = 2) -> str:
    """Make an ended recording of `parts` parts with so many events each; return its id."""
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    rows = {"events": parts * events}
    path.mkdir()
    write_manifest(path, manifest.model_copy(update={"ended_ns": START_NS + 10**15, "rows": rows}))
    for number in range(parts):
        _add_part(path, number * events, count=events)
    return manifest.recording_id


def _add_part(path: Path, first: int, *, count: int = 2) -> None:
    made = [
        Event(sequence=first + one, time_ns=START_NS + first + one, kind=EventKind.NOTE, text="n")
        for one in range(count)
    ]
    table = pa.Table.from_batches([events_table(made)])
    write_part(path / "events", table, first_row=first, owner=owner_of(path, "events"))


def _sequence(path: Path) -> list[int]:
    return [event.sequence for event in RecordingReader(path).read_events()]


def _copies(path: Path) -> list[tuple[int, int]]:
    return [(part.first_row, part.end_row) for part in parts_of(path, JOINED)]


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Each file whose footer was read, in order."""
    files: list[Path] = []
    read_footer = part_file.read_footer

    def counted(path):
        files.append(path)
        return read_footer(path)

    monkeypatch.setattr(part_file, "read_footer", counted)
    return files


def test_many_parts_are_read_as_a_few_files(tmp_path: Path, opened: list[Path]):
    """87 parts: a copy of 64, two of 8, seven parts; what stands in a wider copy is gone."""
    path = tmp_path / "rec"
    recording_id = _recording(path, 87, events=1)
    assert join_parts(path, "events", recording_id=recording_id, most=None)
    assert _copies(path) == [(0, 64), (64, 72), (72, 80)]
    opened.clear()
    assert _sequence(path) == list(range(87))
    assert len(opened) == 3 + 7
    assert not join_parts(path, "events", recording_id=recording_id, most=None)


def test_a_part_that_comes_is_read_alone(tmp_path: Path, opened: list[Path]):
    """The pages ask again and again: what is known is not read again, joined meanwhile or not."""
    path = tmp_path / "rec"
    recording_id = _recording(path, 20)
    reader = RecordingReader(path)
    known = reader.read_events()
    join_parts(path, "events", recording_id=recording_id, most=None)
    _add_part(path, 40)
    os.utime(path / "events")
    opened.clear()
    reader.refresh()
    events = reader.read_events()
    assert events[: len(known)] == known
    assert len(events) == 42
    assert [file.name for file in opened] == ["part-000000000040-000000000042.parquet"]
    assert reader.read_events() is events


def test_copies_are_made_little_by_little_beside_other_work(tmp_path: Path):
    """A recording of before copies, continued: its next parts do not wait for all of them."""
    path = tmp_path / "rec"
    recording_id = _recording(path, 40)
    for expected in (2, 4, 5):
        join_parts(path, "events", recording_id=recording_id, most=2)
        assert len(_copies(path)) == expected
    assert _sequence(path) == list(range(80))


def test_a_copy_is_never_the_only_truth(tmp_path: Path):
    """A part is gone: its rows are missing and told, though a copy of them is there."""
    path = tmp_path / "rec"
    recording_id = _recording(path, 16)
    join_parts(path, "events", recording_id=recording_id, most=None)
    (path / "events" / "part-000000000004-000000000006.parquet").unlink()
    assert _sequence(path) == [*range(4), *range(6, 32)]
    assert any("rows 4 to 5" in text for text in RecordingReader(path).describe_missing())


@pytest.mark.parametrize("where", [-20, 200])
def test_a_damaged_copy_costs_time_only(tmp_path: Path, where: int):
    """In its footer, in its rows: read part by part, and made again by `seal`."""
    path = tmp_path / "rec"
    recording_id = _recording(path, 16)
    join_parts(path, "events", recording_id=recording_id, most=None)
    copy = parts_of(path, JOINED)[0].path
    whole = copy.read_bytes()
    damaged = bytearray(whole)
    damaged[where] ^= 0xFF
    copy.write_bytes(damaged)
    assert _sequence(path) == list(range(32))
    assert not any("joined" in text for text in RecordingReader(path).describe_missing())
    assert seal(path)
    assert copy.read_bytes() == whole
    assert not seal(path)


def test_a_copy_of_another_recording_is_read_nowhere(tmp_path: Path):
    """Copied by hand from another folder, under a name that fits: it says whose it is."""
    for name, shift in (("rec", 0), ("other", 7)):
        recording_id = _recording(tmp_path / name, 16, events=1)
        if shift:
            table = pq.read_table(tmp_path / name / "events", partitioning=None)
            table = table.set_column(1, table.schema.field(1), pc.add(table["sequence"], shift))
            owner = PartOwner(recording_id, JOINED)
            write_part(tmp_path / name / JOINED, table, first_row=0, owner=owner)
    (tmp_path / "rec" / "joined").mkdir()
    (tmp_path / "other" / JOINED).rename(tmp_path / "rec" / JOINED)
    assert _sequence(tmp_path / "rec") == list(range(16))


def test_parts_of_recorders_of_different_ages_are_not_joined(tmp_path: Path):
    """Their columns tell by whom the sentences were written: a copy would mix them."""
    path = tmp_path / "rec"
    recording_id = _recording(path, 16)
    for part in parts_of(path, "events")[:4]:
        table = part.read_whole().drop_columns(["bus", "frame", "request"])
        write_part(path / "events", table, first_row=part.first_row, owner=part.owner)
    join_parts(path, "events", recording_id=recording_id, most=None)
    assert _copies(path) == [(16, 32)]
    assert _sequence(path) == list(range(32))


def test_what_is_large_enough_is_not_joined(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A copy is read at once, so it has a bound; the rows are all there."""
    monkeypatch.setattr(joined, "MAX_COPY_ROWS", 30)
    path = tmp_path / "rec"
    recording_id = _recording(path, 72)
    join_parts(path, "events", recording_id=recording_id, most=None)
    assert len(_copies(path)) == 9
    assert _sequence(path) == list(range(144))


def test_a_recording_without_an_id_has_copies_as_well(tmp_path: Path):
    """Of an older recorder, whose parts say nothing: a copy that says nothing is judged alike."""
    path = tmp_path / "rec"
    _recording(path, 16)
    forget_ids(path)
    join_parts(path, "events", recording_id="", most=None)
    assert len(_copies(path)) == 2
    copy = parts_of(path, JOINED)[0]
    write_part(copy.path.parent, copy.read_whole(), first_row=0)
    assert _sequence(path) == list(range(32))


def test_parts_are_opened_little_by_little(tmp_path: Path, opened: list[Path]):
    """What a page says is missing costs so many files a look, the newest first; in the end all."""
    path = tmp_path / "rec"
    join_parts(path, "events", recording_id=_recording(path, 16), most=None)
    damaged = path / "events" / "part-000000000004-000000000006.parquet"
    damaged.write_bytes(damaged.read_bytes()[:-3])
    reader = RecordingReader(path)
    assert len(reader.read_events()) == 32
    opened.clear()
    told = []
    for look in range(1, 5):
        told.append(reader.describe_missing(most_opened=4))
        assert len(opened) == 4 * look
    assert [bool(texts) for texts in told] == [False, False, False, True]
    assert told[-1] == RecordingReader(path).describe_missing()


@pytest.mark.parametrize("damaged", [False, True])
def test_rows_in_pieces_are_the_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damaged):
    """Of copies, whole or damaged, of parts without one and of large parts, whatever the span."""
    monkeypatch.setattr("logger.store.parts.part_writer.ROW_GROUP_ROWS", 3)
    monkeypatch.setattr("logger.store.parts.part._GROUPS_A_PIECE", 2)
    path = tmp_path / "rec"
    recording_id = _recording(path, 12, events=2)
    _add_part(path, 24, count=40)
    join_parts(path, "events", recording_id=recording_id, most=None)
    if damaged:
        copy = parts_of(path, JOINED)[0].path
        copy.write_bytes(copy.read_bytes()[:200] + b"?" + copy.read_bytes()[201:])
    reader = RecordingReader(path)
    for first, end in [(0, 64), (3, 20), (20, 50), (30, 31), (64, 70)]:
        span = {"start_ns": START_NS + first, "end_ns": START_NS + end}
        columns = ["sequence", "time"]
        whole = reader.read_rows("events", **span, columns=columns)
        pieces = list(reader.row_pieces("events", **span, columns=columns))
        assert whole["sequence"].to_pylist() == list(range(first, min(end, 64)))
        assert all(0 < piece.num_rows <= 16 for piece in pieces)
        assert pa.concat_tables([whole.slice(0, 0), *pieces]).equals(whole)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), count=st.integers(0, 60))
def test_covers_hold_each_part_once_in_order(data: st.DataObject, count: int):
    """Whatever copies lie there: nested, overlapping, of parts that are gone."""
    ends = [0]
    for width in data.draw(st.lists(st.integers(1, 3), min_size=count, max_size=count)):
        ends.append(ends[-1] + width)
    everything = [Part(Path(f"p{first}"), first, end) for first, end in pairwise(ends)]
    parts = [part for part in everything if data.draw(st.integers(0, 9))]
    pairs = st.tuples(st.integers(0, ends[-1] + 1), st.integers(0, ends[-1] + 1))
    copies = [Part(Path("c"), *pair) for pair in data.draw(st.lists(pairs, max_size=20))]
    covers = cover_parts(parts, copies)
    assert [part for cover in covers for part in cover.parts] == parts
    for cover in covers:
        first, last = cover.parts[0], cover.parts[-1]
        assert (cover.part.first_row, cover.part.end_row) == (first.first_row, last.end_row)
        assert all(one.end_row == next_.first_row for one, next_ in pairwise(cover.parts))
        assert cover.is_copy == (cover.part not in parts)


def test_parts_joined_as_they_come_are_as_joined_at_once(tmp_path: Path):
    """Each joining finds what the one before left: the copies depend on the parts alone."""
    together, one_by_one = tmp_path / "a", tmp_path / "b"
    join_parts(together, "events", recording_id=_recording(together, 66, events=1), most=None)
    recording_id = _recording(one_by_one, 0)
    for number in range(66):
        _add_part(one_by_one, number, count=1)
        join_parts(one_by_one, "events", recording_id=recording_id)
    assert _copies(one_by_one) == _copies(together)
    assert not rejoin_parts(together, "events", recording_id=owner_of(together, "e").recording_id)
