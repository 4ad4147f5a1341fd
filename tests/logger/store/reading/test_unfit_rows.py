"""Rows whose checksums fit, and which no recorder wrote: told, left out, and no harm to others."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import SensorSettings
from logger.limits.lifecycle import alerts_from_events
from logger.store.layout.events import events_from
from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.layout.schema import EVENT_SCHEMA, readings_from_table
from logger.store.parts.part_writer import write_part
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.tools.add_sensor import add_sensor
from logger.store.tools.cut import copy_span
from logger.store.writing.journal import JournalReader, JournalWriter
from replay.check import check_recording
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.parts import owner_of

S = 1_000_000_000
STREAM = "status/joint=shoulder"


@pytest.fixture
def short(overheat: Recording, tmp_path: Path) -> Path:
    """Return a recording of ten seconds of its own."""
    return copy_span(overheat.path, out=tmp_path / "r", end_ns=overheat.start_ns + 10 * S).path


def _rows(path: Path, stream: str) -> pa.RecordBatch:
    reader = RecordingReader(path)
    table = reader.read_rows(stream, start_ns=0, end_ns=2**62)
    return table.combine_chunks().to_batches()[0]


def _replaced(batch: pa.RecordBatch, name: str, column: pa.Array) -> pa.RecordBatch:
    columns = [column if field.name == name else batch.column(field.name) for field in batch.schema]
    return pa.RecordBatch.from_arrays(columns, names=batch.schema.names)


def _without(batch: pa.RecordBatch, name: str) -> pa.RecordBatch:
    return batch.select([other for other in batch.schema.names if other != name])


HOSTILE: dict[str, Callable[[pa.RecordBatch], pa.RecordBatch]] = {
    "no times": lambda b: _replaced(b, "time", pa.nulls(b.num_rows, b.schema.field("time").type)),
    "texts": lambda b: _replaced(b, "current_A", pa.array(["\x1b[2J"] * b.num_rows)),
    "no column of times": lambda b: _without(b, "time"),
    "no segments": lambda b: _without(b, "position_segment"),
    "the end of time": lambda b: _replaced(
        b, "time", pa.array([2**63 - 1] * b.num_rows).cast(b.schema.field("time").type)
    ),
}


@pytest.mark.parametrize("change", HOSTILE.values(), ids=HOSTILE)
def test_a_journal_that_no_recorder_wrote(short: Path, change: Callable[..., pa.RecordBatch]):
    """`check` says it, what is sound is read, and `seal` names the file and changes nothing."""
    sound = RecordingReader(short).row_count(STREAM)
    (short / JOURNAL_FOLDER).mkdir(exist_ok=True)
    journal = JournalWriter(short / JOURNAL_FOLDER, number=7)
    batch = change(_rows(short, STREAM))
    journal.append_rows(STREAM, sound, batch)
    journal.close()
    recording = Recording.open(short)
    assert recording.row_count(STREAM) == sound
    found = check_recording(recording)
    assert any("00000007" in sentence for sentence in found.missing)
    recorded_excursions(recording)
    with pytest.raises(InputError, match="00000007"):
        seal(short)
    assert (short / JOURNAL_FOLDER / "00000007.journal").exists()


@pytest.mark.parametrize("kind", [0, 1, 9])
def test_a_record_that_is_no_arrow(short: Path, kind: int):
    """Read up to it, as up to damage; its bytes are kept by `seal`."""
    (short / JOURNAL_FOLDER).mkdir(exist_ok=True)
    journal = JournalWriter(short / JOURNAL_FOLDER, number=7)
    journal.append_rows(STREAM, 10**6, _rows(short, STREAM))
    journal._add_record(kind, 5, 0, b"\xff" * 64)
    journal.append_rows("events", 10**6, _rows(short, "events").slice(0, 0))
    journal.close()
    reader = JournalReader(short / JOURNAL_FOLDER / "00000007.journal")
    assert [run.stream for run in reader.read_new_rows()] == [STREAM]
    assert reader.unread_bytes() > 0
    assert seal(short)
    assert (short / JOURNAL_FOLDER / "00000007.unreadable").exists()


def test_offsets_that_lead_out_of_a_record(short: Path):
    """Whoever computes with rows trusts the offsets in them: they are checked first."""
    offsets = pa.py_buffer(np.array([0, 2**31 - 1, 3], np.int32))
    text = pa.Array.from_buffers(pa.string(), 2, [None, offsets, pa.py_buffer(b"abc")])
    event = {"time": S, "sequence": 0, "kind": "note", "text": "abc"}
    batch = pa.RecordBatch.from_pylist([event, event], schema=EVENT_SCHEMA)
    columns = [text if name == "text" else batch.column(name) for name in batch.schema.names]
    hostile = pa.RecordBatch.from_arrays(columns, schema=EVENT_SCHEMA)
    (short / JOURNAL_FOLDER).mkdir(exist_ok=True)
    journal = JournalWriter(short / JOURNAL_FOLDER, number=7)
    journal.append_rows("events", 10**6, hostile)
    journal.close()
    reader = JournalReader(short / JOURNAL_FOLDER / "00000007.journal")
    assert list(reader.read_new_rows()) == []


@pytest.mark.parametrize("change", HOSTILE.values(), ids=HOSTILE)
def test_a_part_that_no_recorder_wrote(short: Path, change: Callable[..., pa.RecordBatch]):
    """It counts as damaged: the rest is read, `check` says it, and what joins leaves it alone."""
    part = sorted((short / STREAM).glob("part-*.parquet"))[0]
    batch = change(_rows(short, STREAM))
    part.unlink()
    table = pa.Table.from_batches([batch])
    made = write_part(short / STREAM, table, first_row=0, owner=owner_of(short, STREAM))
    recording = Recording.open(short)
    assert recording.row_count(STREAM) == 0
    assert recording.row_count("status/joint=elbow") > 0
    assert not check_recording(recording).is_complete
    content = made.read_bytes()
    probe = SensorSettings(name="probe", channels=("temperature_ambient_degC",), hold_s=3.0)
    reading = ReadingBatch(
        joint="probe",
        time_ns=np.array([recording.start_ns + S]),
        position_segment=np.array([-1], np.int32),
        columns={"temperature_ambient_degC": np.array([21.0])},
    )
    assert add_sensor(short, probe, [reading]).rows == 1
    assert made.read_bytes() == content


def test_a_pyramid_that_no_recorder_wrote(short: Path):
    """Its rows are read in its place, and `seal` makes it again."""
    folder = short / "overview/joint=shoulder"
    part = sorted(folder.glob("part-*.parquet"))[0]
    sound = pq.read_table(part)
    for metadata, table in (
        ({b"dutytrace overview": b"[1]"}, sound),
        ({b"dutytrace overview": b'{"last": 3}'}, sound),
        (
            sound.schema.metadata,
            sound.set_column(1, sound.schema.names[1], pa.array(["x"] * sound.num_rows)),
        ),
    ):
        part.unlink()
        write_part(
            folder,
            table.replace_schema_metadata(metadata),
            first_row=int(part.name[5:17]),
            end_row=int(part.name[18:30]),
            owner=owner_of(short, "overview/joint=shoulder"),
        )
        reader = RecordingReader(short)
        assert len(reader.read_rows(STREAM, start_ns=0, end_ns=2**62)) > 0
        check_recording(Recording.open(short))
        seal(short)
        assert pq.read_table(part).drop_columns([]).equals(sound)


def test_numbers_that_nothing_counts():
    """A code of more bits than a double holds is none; a duration without end is not known."""
    codes = pa.array([2**62, -(2**62), 7], pa.int64())
    table = pa.table({"time": pa.array([1, 2, 3]), "fault_code": pa.chunked_array([codes])})
    readings = readings_from_table("shoulder", table)
    assert np.isnan(readings.columns["fault_code"][:2]).all()
    assert readings.columns["fault_code"][2] == 7
    event = {"time": S, "sequence": 0, "kind": "raised", "alert": 1, "value": float("inf")}
    rows = [{**event, "duration_s": duration} for duration in (float("inf"), -1e300, 2.5)]
    events = events_from(pa.Table.from_pylist(rows, schema=EVENT_SCHEMA))
    assert [event.duration_s for event in events if event.duration_s == event.duration_s] == [2.5]
    assert events[0].whole_value == 0
    alerts_from_events(events)


def test_a_pyramid_of_negative_squares(short: Path):
    """Figures without sense, and no fault."""
    folder = short / "overview/joint=shoulder"
    part = sorted(folder.glob("part-*.parquet"))[0]
    table = pq.read_table(part, partitioning=None)
    name = "temperature_housing_degC.m2"
    below = pa.array([-1e6] * table.num_rows)
    part.unlink()
    write_part(
        folder,
        table.set_column(table.schema.get_field_index(name), table.schema.field(name), below),
        first_row=int(part.name[5:17]),
        end_row=int(part.name[18:30]),
        owner=owner_of(short, "overview/joint=shoulder"),
    )
    recording = Recording.open(short)
    span = ("shoulder", "temperature_housing_degC", recording.start_ns, recording.end_ns)
    assert not span_statistics(recording, *span).rms < 0.0
