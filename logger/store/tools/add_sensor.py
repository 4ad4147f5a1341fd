"""Adds a sensor to a finished recording by its time; from then on it is read like a joint.

Its rows and overview are written into a staging folder within the recording and renamed when they
are whole; recording.json names it last. The parts of joints get the sensor's channels as empty
columns where they lack them, one part after the other, so that the status folder still reads as one
table; each part is whole at any time, and holds the same values before and after.
"""

import shutil
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.cancellation import UNCHANGED, raise_if_stopped
from logger.errors import InputError, OutsideFault
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, SensorSettings, add_sensor_to_bench
from logger.store.layout.files import overview_stream, status_stream, sync_folder
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import read_manifest, write_manifest
from logger.store.layout.schema import readings_table, status_schema
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import write_part
from logger.store.reading.raw_frames import open_finished
from logger.store.writing.bulk_writer import BULK_PART_ROWS
from logger.store.writing.sealer import Run, Sealer

__all__ = ["AddResult", "add_sensor"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AddResult:
    """How many of a sensor's readings were added."""

    rows: int
    outside: int
    """Readings before the recording began or after it ended: left out."""

    def to_json(self) -> dict[str, int]:
        """Return it as a JSON object."""
        return {"rows": self.rows, "outside": self.outside}


def add_sensor(
    recording: Path,
    sensor: SensorSettings,
    readings: Iterable[ReadingBatch],
    *,
    progress: Callable[[int], None] = lambda _rows: None,
    stop: threading.Event | None = None,
) -> AddResult:
    """Add a sensor's readings, given in order of time, to a finished recording.

    Raises
    ------
    InputError
        It is no finished recording, has a joint or sensor of that name already, or no reading lies
        within it.
    OutsideFault
        The disk took no more, or it was stopped; the recording is as it was.
    """
    bench = open_finished(recording).bench
    if sensor.name in {joint.name for joint in bench.joints}:
        raise InputError(
            f"{recording}: found the name {sensor.name!r} among its joints and sensors, expected a "
            "new one. Choose another with --name."
        )
    with WriteLock(recording):
        staging = recording / f".{sensor.name}.aside"
        try:
            shutil.rmtree(staging, ignore_errors=True)
            staging.mkdir()
            return _write_sensor(recording, staging, sensor, readings, progress=progress, stop=stop)
        except OSError as fault:
            if isinstance(fault, OutsideFault):
                raise
            raise OutsideFault(
                f"{recording}: the sensor cannot be added ({fault.strerror or fault}); the "
                "recording is as it was. Free some room, then try again."
            ) from fault
        finally:
            shutil.rmtree(staging, ignore_errors=True)


def _write_sensor(
    recording: Path,
    staging: Path,
    sensor: SensorSettings,
    readings: Iterable[ReadingBatch],
    *,
    progress: Callable[[int], None],
    stop: threading.Event | None,
) -> AddResult:
    manifest = read_manifest(recording)
    assert manifest.ended_ns is not None, "a finished one has an end"
    where = f"{recording} (bench)"
    bench = add_sensor_to_bench(manifest.read_bench(where), sensor, where=where)
    schema = status_schema(bench)
    stream = status_stream(sensor.name)
    sealer = Sealer(staging, bench, recording_id=manifest.recording_id)
    runs: list[Run] = []
    rows = sealed = rows_outside = 0
    for batch in readings:
        raise_if_stopped(stop, recording, outcome=UNCHANGED)
        inside = (batch.time_ns >= manifest.started_ns) & (batch.time_ns < manifest.ended_ns)
        rows_outside += int(np.count_nonzero(~inside))
        if inside.any():
            table = readings_table(batch.select_rows(inside), schema)
            runs.append((rows, table))
            rows += table.num_rows
        if rows - sealed >= BULK_PART_ROWS:
            sealer.seal_rows({stream: runs})
            runs, sealed = [], rows
        progress(rows + rows_outside)
    if rows == 0:
        raise InputError(
            f"{recording}: found {rows_outside} readings, none of them within the recording. Say "
            "when the first one was with --start, or what its times count with --time-unit."
        )
    sealer.seal_rows({stream: runs}, until_ns=manifest.ended_ns)
    _widen_status_parts(recording, bench, schema, stop, recording_id=manifest.recording_id)
    for stream_name in (stream, overview_stream(sensor.name)):
        # A folder of that name which recording.json does not name was left by a power cut.
        shutil.rmtree(recording / stream_name, ignore_errors=True)
        (staging / stream_name).rename(recording / stream_name)
        sync_folder((recording / stream_name).parent)
    write_manifest(
        recording,
        manifest.model_copy(update={"bench": bench.text, "rows": {**manifest.rows, stream: rows}}),
    )
    return AddResult(rows=rows, outside=rows_outside)


def _widen_status_parts(
    recording: Path,
    bench: Bench,
    schema: pa.Schema,
    stop: threading.Event | None,
    *,
    recording_id: str,
) -> None:
    for joint in bench.joints:
        owner = PartOwner(recording_id, status_stream(joint.name))
        folder = recording / owner.stream
        for part in list_parts(folder, owner):
            if part.verify_error or part.footer.schema.to_arrow_schema().names == schema.names:
                continue
            # Every byte: written again, a damaged part would get sums that are right.
            if part.verify_part():
                continue
            raise_if_stopped(stop, recording, outcome=UNCHANGED)
            table = pq.read_table(part.path, partitioning=None)
            columns = [
                table[field.name]
                if field.name in table.column_names
                else pa.nulls(table.num_rows, field.type)
                for field in schema
            ]
            widened = pa.table(columns, schema=schema)
            write_part(folder, widened, first_row=part.first_row, end_row=part.end_row, owner=owner)
