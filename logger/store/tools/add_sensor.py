"""Adds a sensor to a finished recording by its time, replaces or removes one.

From then on it is read like a joint, but judged only by limits that name it. Its rows and overview
are written into a staging folder within the recording and renamed when they are whole;
recording.json names it last. The parts of joints get the sensor's channels as empty columns where
they lack them, one part after the other, so that the status folder still reads as one table; each
part is whole at any time, and holds the same values before and after.
"""

import shutil
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import tomlkit

from logger.cancellation import UNCHANGED, raise_if_stopped
from logger.errors import InputError, OutsideFault
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import (
    Bench,
    SensorSettings,
    add_sensor_to_bench,
    bench_from_texts,
)
from logger.store.layout.files import (
    overview_stream,
    status_stream,
    sync_folder,
    uncorrected_stream,
)
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import read_manifest, write_manifest
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import readings_table, status_schema
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import write_part
from logger.store.reading.raw_frames import open_finished
from logger.store.writing.bulk_writer import BULK_PART_ROWS
from logger.store.writing.sealer import Run, Sealer

__all__ = ["AddResult", "add_sensor", "remove_sensor"]


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
    replace: bool = False,
    progress: Callable[[int], None] = lambda _rows: None,
    stop: threading.Event | None = None,
) -> AddResult:
    """Add a sensor's readings, given in order of time, to a finished recording.

    `replace`: in place of the sensor that has its name.

    Raises
    ------
    InputError
        It is no finished recording, has a joint of that name, or a sensor that is not to be
        replaced, or no reading lies within it.
    OutsideFault
        The disk took no more, or it was stopped; the recording is as it was.
    """
    bench = open_finished(recording).bench
    is_sensor = sensor.name in bench.sensors
    if sensor.name in {joint.name for joint in bench.joints} and not (replace and is_sensor):
        hint = " Replace it with --replace, or choose" if is_sensor else " Choose"
        raise InputError(
            f"{recording}: found the name {sensor.name!r} among its joints and sensors, expected a "
            f"new one.{hint} another with --name."
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
    bench = manifest.read_bench(where)
    if sensor.name in bench.sensors:
        bench = _bench_without(bench, sensor.name, where=where)
    bench = add_sensor_to_bench(bench, sensor, where=where)
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
    _fit_status_parts(
        recording, bench, schema, stop, recording_id=manifest.recording_id, but=sensor.name
    )
    update = {"bench": bench.text, "rows": {**manifest.rows, stream: rows}}
    with _swapped_streams(recording, staging, (stream, overview_stream(sensor.name))):
        write_manifest(recording, manifest.model_copy(update=update))
    if sensor.clock is None:
        # Of what was replaced, or of a correction that was taken back.
        shutil.rmtree(recording / uncorrected_stream(sensor.name), ignore_errors=True)
    return AddResult(rows=rows, outside=rows_outside)


@contextmanager
def _swapped_streams(recording: Path, staging: Path, streams: Sequence[str]) -> Iterator[None]:
    """Put streams of the staging folder into their places; where that or the body fails, back.

    What is in their places is the sensor that is replaced, or was left by a power cut.
    """
    replaced = staging / "replaced"
    try:
        for stream in streams:
            place, aside = recording / stream, replaced / stream
            aside.parent.mkdir(parents=True, exist_ok=True)
            if place.exists():
                place.rename(aside)
            (staging / stream).rename(place)
            sync_folder(place.parent)
        yield
    except OSError:
        for stream in streams:
            place, aside = recording / stream, replaced / stream
            if not (staging / stream).exists():
                shutil.rmtree(place, ignore_errors=True)
            if aside.exists():
                aside.rename(place)
        raise


def remove_sensor(recording: Path, name: str, *, stop: threading.Event | None = None) -> int:
    """Remove a sensor from a finished recording, and return how many readings it had.

    Raises
    ------
    InputError
        It is no finished recording, or has no sensor of that name.
    OutsideFault
        The disk failed, or it was stopped before anything was changed.
    """
    bench = open_finished(recording).bench
    if name not in bench.sensors:
        known = ", ".join(bench.sensors) or "none"
        raise InputError(
            f"{recording}: found no sensor {name!r}, expected one of its sensors: {known}."
        )
    raise_if_stopped(stop, recording, outcome=UNCHANGED)
    with WriteLock(recording):
        try:
            manifest = read_manifest(recording)
            where = f"{recording} (bench)"
            bench = _bench_without(manifest.read_bench(where), name, where=where)
            stream = status_stream(name)
            rows = {key: count for key, count in manifest.rows.items() if key != stream}
            # First of all it is named no more: what follows can be cut short.
            write_manifest(
                recording, manifest.model_copy(update={"bench": bench.text, "rows": rows})
            )
            for stream_name in (stream, overview_stream(name), uncorrected_stream(name)):
                shutil.rmtree(recording / stream_name, ignore_errors=True)
            _fit_status_parts(
                recording, bench, status_schema(bench), None, recording_id=manifest.recording_id
            )
        except OSError as fault:
            if isinstance(fault, OutsideFault):
                raise
            raise OutsideFault(
                f"{recording}: the sensor cannot be removed ({fault.strerror or fault})."
            ) from fault
    return manifest.rows.get(stream, 0)


def _bench_without(bench: Bench, name: str, *, where: str) -> Bench:
    """Return the bench without one of its sensors, whose table is taken out of its text."""
    document = tomlkit.parse(bench.text)
    tables = document["sensor"]
    assert isinstance(tables, list), "the bench was read from it"
    tables.pop(next(at for at, table in enumerate(tables) if table["name"] == name))
    if not tables:
        document.remove("sensor")
    return bench_from_texts(tomlkit.dumps(document), bench.layout_texts, where=where)


def _fit_status_parts(
    recording: Path,
    bench: Bench,
    schema: pa.Schema,
    stop: threading.Event | None,
    *,
    recording_id: str,
    but: str = "",
) -> None:
    """Give the parts of all joints and sensors, `but` one, the columns that they share now."""
    for joint in bench.joints:
        if joint.name == but:
            continue
        owner = PartOwner(recording_id, status_stream(joint.name), footer_check(schema))
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
