"""Readings typed by hand, one at a time, as a sensor of a finished recording."""

from pathlib import Path
from typing import Final

import numpy as np

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.errors import InputError
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Sensor, SensorSettings
from logger.joint.channels import in_channel_order
from logger.store.layout.files import status_stream
from logger.store.reading.raw_frames import open_finished
from logger.store.tools.add_sensor import AddResult, add_sensor

__all__ = ["add_hand_reading"]

MAX_HAND_READINGS: Final = 10_000
USUAL_HOLD_S: Final = 3600.0


def add_hand_reading(
    recording: Path,
    name: str,
    *,
    time_ns: int,
    channel: str,
    value: float,
    hold_s: float | None = None,
) -> AddResult:
    """Add one reading to the sensor of a name, which is made where there is none.

    One of that channel at that very time is replaced. `hold_s`: for how long readings of the sensor
    hold at most; None: as they did, an hour at first.

    Raises
    ------
    InputError
        It is no finished recording, has a joint of that name or a sensor that was joined, or the
        time does not lie within it.
    OutsideFault
        The disk took no more; the recording is as it was.
    """
    reader = open_finished(recording)
    sensor = next(
        (one for one in reader.bench.joints if isinstance(one, Sensor) and one.name == name), None
    )
    rows: dict[int, dict[str, float]] = {}
    if sensor is not None:
        if reader.row_count(status_stream(name)) > MAX_HAND_READINGS or sensor.clock is not None:
            raise InputError(
                f"{recording}: found the sensor {name!r}, which is a joined table, expected "
                "one of readings by hand. Choose another with --name."
            )
        stored = reader.read_readings(name, TIME_MIN_NS, TIME_MAX_NS, channels=[*sensor.channels])
        for at, at_ns in enumerate(stored.time_ns.tolist()):
            kept = {one: float(stored.columns[one][at]) for one in sensor.channels}
            rows[at_ns] = {one: number for one, number in kept.items() if np.isfinite(number)}
    rows.setdefault(time_ns, {})[channel] = value
    known = {channel, *(sensor.channels if sensor else ())}
    channels = in_channel_order(known)
    times_ns = sorted(rows)
    batch = ReadingBatch(
        joint=name,
        time_ns=np.array(times_ns, np.int64),
        position_segment=np.full(len(times_ns), -1, np.int32),
        columns={
            one: np.array([rows[at_ns].get(one, np.nan) for at_ns in times_ns]) for one in channels
        },
    )
    if hold_s is None:
        hold_s = USUAL_HOLD_S if sensor is None else sensor.hold_s
    settings = SensorSettings(
        name=name, label=sensor.label if sensor else "", channels=tuple(channels), hold_s=hold_s
    )
    return add_sensor(recording, settings, [batch], replace=sensor is not None)
