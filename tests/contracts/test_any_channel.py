"""A joint with instruments of its own: each channel goes the whole way, whatever it is called."""

import csv
import struct
from pathlib import Path

import numpy as np
import pytest

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.export import export
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
LAYOUT = """
format = 1
name = "own"
[[frame]]
name = "mechanics"
identifier = "0x100 + node"
length = 8
hold_s = 0.5
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "torque_sensor_Nm"
byte = 2
bits = 16
signed = true
scale = 1.0
unit = "mNm"
[[frame.value]]
channel = "position_output_rad"
byte = 4
bits = 16
signed = true
scale = 0.1
unit = "deg"
[[frame.value]]
channel = "torque_sensor_setpoint_Nm"
byte = 6
bits = 16
signed = true
scale = 0.01
[[frame]]
name = "health"
identifier = "0x200 + node"
length = 4
hold_s = 3.0
[[frame.value]]
channel = "temperature_bearing_degC"
byte = 0
bits = 8
signed = true
[[frame.value]]
channel = "temperature_winding_2_degC"
byte = 1
bits = 8
signed = true
[[frame.value]]
channel = "fault_encoder_code"
byte = 2
bits = 8
flags = { 0 = "magnet lost" }
[[frame.value]]
channel = "count_restarts_code"
byte = 3
bits = 8
"""
BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "wrist"
layout = "own"
node = 3
"""
LIMITS = """
format = 1
[[limit]]
name = "sensor-torque"
kind = "level"
severity = "warning"
channel = "torque_sensor_Nm"
above = 5.0
[[limit]]
name = "bearing-hot"
kind = "level"
severity = "trip"
channel = "temperature_bearing_degC"
above = 70.0
[[limit]]
name = "sensor-follows"
kind = "tracking"
severity = "warning"
channel = "torque_sensor_Nm"
above = 4.0
"""
SENSOR_TORQUE = [0.0] * 10 + [-6.0] * 5 + [1.0] * 5
BEARING = [60.0] * 12 + [71.0] * 4 + [60.0] * 4


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Twenty seconds, a frame of each kind a second."""
    rows = []
    for second, (torque, bearing) in enumerate(zip(SENSOR_TORQUE, BEARING, strict=True)):
        mechanics = struct.pack("<4h", 200, round(torque * 1000), 900, 100)
        health = struct.pack("<2b2B", round(bearing), 40, int(second in (7, 8)), second // 10)
        at_ns = START_NS + second * S
        rows += [(at_ns, 0x103, 0, mechanics), (at_ns + 1000, 0x203, 0, health)]
    path = tmp_path_factory.mktemp("any") / "rec"
    import_frames(
        [FrameBatch.from_rows(rows)],
        bench=bench_from_texts(BENCH, {"own": LAYOUT}, where="bench.toml"),
        limits=parse_limits(LIMITS, "limits.toml"),
        out=path,
        name="any",
        start_ns=START_NS,
        end_ns=START_NS + 20 * S,
    )
    return Recording.open(path)


def test_its_columns_are_those_that_the_joint_has(recording: Recording):
    """Each in its unit, in one order, the whole ones as integers."""
    assert recording.channels("wrist") == (
        "torque_Nm",
        "temperature_bearing_degC",
        "temperature_winding_2_degC",
        "torque_sensor_Nm",
        "torque_sensor_setpoint_Nm",
        "position_output_rad",
        "fault_encoder_code",
        "count_restarts_code",
    )
    batch = recording.read_readings("wrist", START_NS, START_NS + 20 * S)
    _, sensor = batch.channel_series("torque_sensor_Nm")
    assert sensor.tolist() == pytest.approx(SENSOR_TORQUE)
    _, output = batch.channel_series("position_output_rad")
    assert output.tolist() == pytest.approx([np.pi / 2] * 20)
    _, bearing = batch.channel_series("temperature_bearing_degC")
    assert bearing.tolist() == BEARING


def test_limits_watch_it_live_and_afterwards(recording: Recording):
    """A level of either sign, a temperature of a free place, a distance from a set-point."""
    raised = recorded_excursions(recording)
    assert [(one.limit, one.channel) for one in raised] == [
        ("sensor-follows", ""),  # an error is in no unit of a channel
        ("sensor-torque", "torque_sensor_Nm"),
        ("bearing-hot", "temperature_bearing_degC"),
    ]
    assert [one.peak for one in raised] == pytest.approx([7.0, -6.0, 71.0])
    again = find_excursions(recording, recording.limits)
    assert [(one.limit, one.start_ns) for one in again] == [
        (one.limit, one.start_ns) for one in raised
    ]


def test_a_fault_of_an_instrument_is_an_event_and_a_count_is_none(recording: Recording):
    """It names the instrument; the joint's own fault code is another channel."""
    said = [
        (event.kind, event.channel, event.text)
        for event in recording.read_events()
        if event.channel.endswith("_code")
    ]
    assert said == [
        ("fault", "fault_encoder_code", "wrist: encoder fault magnet lost (0x01)."),
        ("fault", "fault_encoder_code", "wrist: no encoder fault any more."),
    ]


def test_it_is_exported_by_name(recording: Recording, tmp_path: Path):
    """As a column of a table, its unit in the name."""
    export(recording, tmp_path / "out.csv", channels=["torque_sensor_Nm"])
    with (tmp_path / "out.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["torque_sensor_Nm"]) for row in rows if row["torque_sensor_Nm"]] == (
        pytest.approx(SENSOR_TORQUE)
    )
