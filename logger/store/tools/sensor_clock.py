"""Moves the times of a joined sensor as its clock was found to be off, and takes that back.

The readings as they came are kept beside the corrected ones (`uncorrected/joint=NAME/`), so that
what is moved out of the recording is back when the correction is taken back. Where they are gone
(a cut does not carry them) the times are computed back, right to a nanosecond.
"""

import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa

from logger.errors import InputError, OutsideFault
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Sensor
from logger.joint.bench.instrument_clock import InstrumentClock
from logger.store.layout.files import status_stream, uncorrected_stream
from logger.store.layout.lock import WriteLock
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import readings_from_table
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import write_part
from logger.store.reading.raw_frames import open_finished
from logger.store.reading.reader import RecordingReader
from logger.store.tools.add_sensor import AddResult, add_sensor

__all__ = ["correct_sensor_clock", "own_readings", "restore_sensor_clock"]


def correct_sensor_clock(
    recording: Path, name: str, clock: InstrumentClock, *, stop: threading.Event | None = None
) -> AddResult:
    """Move the times of a sensor of a finished recording, in place of any earlier correction.

    Raises
    ------
    InputError
        It is no finished recording, has no such sensor, or none of it would lie within it.
    OutsideFault
        The disk took no more, or it was stopped; the readings are as they were.
    """
    reader, sensor = _opened(recording, name)
    if sensor.clock is None:
        _keep_uncorrected(reader, name)
    batches = [
        ReadingBatch(
            joint=name,
            time_ns=clock.correct_times(batch.time_ns),
            position_segment=batch.position_segment,
            columns=batch.columns,
        )
        for batch in own_readings(reader, sensor)
    ]
    settings = sensor.settings.model_copy(update={"clock": clock})
    return add_sensor(recording, settings, batches, replace=True, stop=stop)


def restore_sensor_clock(
    recording: Path, name: str, *, stop: threading.Event | None = None
) -> AddResult:
    """Give the readings of a sensor the times that they came with.

    Raises
    ------
    InputError
        It is no finished recording, or has no such sensor, or its times were not corrected.
    OutsideFault
        The disk took no more, or it was stopped; the readings are as they were.
    """
    reader, sensor = _opened(recording, name)
    if sensor.clock is None:
        raise InputError(
            f"{recording}: found no correction of the clock of {name!r}, expected one to undo."
        )
    batches = list(own_readings(reader, sensor))
    settings = sensor.settings.model_copy(update={"clock": None})
    return add_sensor(recording, settings, batches, replace=True, stop=stop)


def own_readings(reader: RecordingReader, sensor: Sensor) -> Iterator[ReadingBatch]:
    """Yield the readings of a sensor with the times that they came with, in order."""
    name = sensor.name
    kept = _kept_parts(reader, name) if sensor.clock is not None else []
    if kept:
        for table in kept:
            yield readings_from_table(name, table)
        return
    for table in _stored(reader, status_stream(name)):
        batch = readings_from_table(name, table)
        if sensor.clock is None:
            yield batch
        else:
            yield ReadingBatch(
                joint=name,
                time_ns=sensor.clock.own_times(batch.time_ns),
                position_segment=batch.position_segment,
                columns=batch.columns,
            )


def _opened(recording: Path, name: str) -> tuple[RecordingReader, Sensor]:
    reader = open_finished(recording)
    for joint in reader.bench.joints:
        if isinstance(joint, Sensor) and joint.name == name:
            return reader, joint
    known = ", ".join(reader.bench.sensors) or "none"
    raise InputError(
        f"{recording}: found no sensor {name!r}, expected one of its sensors: {known}."
    )


def _stored(reader: RecordingReader, stream: str) -> Iterator[pa.Table]:
    for part in reader.stored_parts(stream)[0]:
        table = None if part.verify_error else part.read_whole()
        if table is not None:
            yield table


def _keep_uncorrected(reader: RecordingReader, name: str) -> None:
    recording = Path(str(reader.path))
    folder = recording / uncorrected_stream(name)
    with WriteLock(recording):
        try:
            shutil.rmtree(folder, ignore_errors=True)
            row = 0
            owner = PartOwner(reader.manifest.recording_id, uncorrected_stream(name))
            for table in _stored(reader, status_stream(name)):
                write_part(folder, table, first_row=row, owner=owner)
                row += table.num_rows
        except OSError as fault:
            raise OutsideFault(
                f"{recording}: the readings of {name} cannot be kept as they came "
                f"({fault.strerror or fault}); their times were not corrected."
            ) from fault


def _kept_parts(reader: RecordingReader, name: str) -> list[pa.Table]:
    stream = uncorrected_stream(name)
    columns_fit = footer_check(reader.schemas[status_stream(name)])
    owner = PartOwner(reader.manifest.recording_id, stream, columns_fit)
    parts = list_parts(reader.path / stream, owner)
    tables = [None if part.verify_error else part.read_whole() for part in parts]
    whole = [table for table in tables if table is not None]
    return whole if len(whole) == len(tables) else []
