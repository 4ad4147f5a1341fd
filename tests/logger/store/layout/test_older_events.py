"""Facts of events: columns where the recorder has them, else read out of its sentences once."""

import shutil
from pathlib import Path

import pyarrow as pa
import pytest

from logger.event_kind import EventKind
from logger.importing.redecode import redecode_frames
from logger.store.layout.events import Event, events_from, events_table
from logger.store.layout.older_events import events_of, with_facts_of_before
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import write_tar
from logger.store.tools.unpack import extract_recording
from tests.support.buses import two_buses
from tests.support.older import unpacked

NEW = ("bus", "frame", "request")


def _columns(path: Path) -> pa.Table:
    return RecordingReader(path).read_rows("events", start_ns=-(2**62), end_ns=2**62)


def _facts(events: list[Event]) -> list[tuple[object, ...]]:
    return [(event.kind, event.text, event.bus, event.frame) for event in events]


def test_what_is_recorded_now_needs_no_sentence(tmp_path: Path):
    """The events of a new recording are its columns, and nothing is made of their words."""
    two_buses(tmp_path / "rec")
    reader = RecordingReader(tmp_path / "rec")
    assert repr(list(reader.read_events())) == repr(events_from(_columns(tmp_path / "rec")))
    worded = [e for e in reader.read_events() if e.bus is not None]
    assert [e.bus for e in worded] == [0, 1, 1, 0]
    # Worded anew, they say the same.
    anew = events_table(
        [
            Event(sequence=e.sequence, time_ns=e.time_ns, kind=e.kind, text="?", bus=e.bus)
            for e in reader.read_events()
        ]
    )
    read = events_of([pa.Table.from_batches([anew])], reader.bench)
    assert [e.bus for e in read] == [e.bus for e in reader.read_events()]


def test_rows_of_both_ages_are_told_apart(tmp_path: Path):
    """Only a table without the columns is read by its words; null in a column stays null."""
    two_buses(tmp_path / "rec")
    bench = RecordingReader(tmp_path / "rec").bench
    lost = Event(
        sequence=2, time_ns=2, kind=EventKind.BUS_LOST, text="The bus can1 went away: gone."
    )
    table = pa.Table.from_batches([events_table([lost])])
    assert [e.bus for e in events_of([table], bench)] == [None]
    older = table.drop_columns(list(NEW))
    assert [e.bus for e in events_of([older], bench)] == [1]
    assert [e.bus for e in events_of([table, older], bench)] == [None, 1]


@pytest.mark.parametrize("name", ["killed", "sealed"])
def test_what_is_made_of_an_older_recording_has_the_columns(name: str, tmp_path: Path):
    """Cut and decoded again, its facts stand in columns, as they were read from its sentences."""
    path = unpacked(name, tmp_path)
    seal(path)
    reader = RecordingReader(path)
    span = reader.manifest.started_ns, reader.manifest.ended_ns
    assert span[1] is not None
    cut = copy_span(path, out=tmp_path / "cut", start_ns=span[0], end_ns=span[1])
    assert set(NEW) < set(_columns(cut.path).column_names)
    before = [one for one in _facts(reader.read_events()) if one[0] != EventKind.STARTED]
    after = _facts(events_from(_columns(cut.path)))
    assert [one for one in after if one in before] == before
    again = redecode_frames(path, bench=reader.bench, out=tmp_path / "again")
    lost = [e for e in events_from(_columns(again.path)) if e.kind == EventKind.BUS_LOST]
    assert [e.bus for e in lost] == [
        e.bus for e in reader.read_events() if e.kind == EventKind.BUS_LOST
    ]
    told = [e.frame for e in events_from(_columns(again.path)) if e.kind == EventKind.FAULT]
    assert "emergency" in told


def test_packed_and_unpacked_both_ages_read_alike(tmp_path: Path):
    """What was packed is the same events, columns or none."""
    older = unpacked("sealed", tmp_path)
    two_buses(tmp_path / "new")
    for path in (older, tmp_path / "new"):
        packed = tmp_path / f"{path.name}.tar"
        write_tar(path, packed)
        back = extract_recording(packed, tmp_path / "back")
        assert repr(RecordingReader(back).read_events()) == repr(
            RecordingReader(path).read_events()
        )
        shutil.rmtree(tmp_path / "back")


def test_a_sentence_that_says_nothing_gives_nothing(tmp_path: Path):
    """A kind of another age, a joint of no bench, words of nobody: read, with no facts."""
    two_buses(tmp_path / "rec")
    bench = RecordingReader(tmp_path / "rec").bench
    for kind in (EventKind("of another age"), EventKind.FAULT, EventKind.BUS_LOST):
        event = Event(sequence=0, time_ns=0, kind=kind, joint="nobody", text="nobody: gone.")
        facts = with_facts_of_before(event, bench)
        assert (facts.bus, facts.frame, facts.request) == (None, "", "")
