"""From a raw count to a channel: unit, gear, mounting, "no value" and long payloads."""

import json
import math

import numpy as np
import pytest
from typer.testing import CliRunner

from dutytrace import app
from logger.joint.batch import FD, FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan

BENCH = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\nnode = 3\n'
FRAME = '[[frame]]\nname = "s"\nidentifier = 0x10\nlength = 4\n'
VALUE = '[[frame.value]]\nchannel = "{channel}"\nbyte = 0\nbits = 32\nsigned = true\n'


def _bench(layout: str, joint: str = "") -> Bench:
    return bench_from_texts(
        BENCH + joint, {"l": f'format = 1\nname = "l"\n{layout}'}, where="bench.toml"
    )


def _read(bench: Bench, *frames: tuple[int, int, int, bytes]) -> ReadingBatch:
    decoded, _ = decode(decode_plan(bench), DecodeState(), FrameBatch.from_rows(frames))
    assert not decoded.rejected
    return decoded.readings[0]


def _value_of(channel: str, raw: int, *, keys: str = "", joint: str = "") -> float:
    bench = _bench(FRAME + VALUE.format(channel=channel) + keys, joint)
    payload = raw.to_bytes(4, "little", signed=True)
    return float(_read(bench, (0, 0x10, 0, payload)).columns[channel][0])


def test_scale_and_offset_come_before_the_unit():
    """(raw * scale + offset) is in the named unit: 2731 tenths of a kelvin less 0.1 are -0.15."""
    keys = 'scale = 0.1\noffset = -0.1\nunit = "K"\n'
    assert _value_of("temperature_drive_degC", 2731, keys=keys) == pytest.approx(-0.15)


@pytest.mark.parametrize(
    ("channel", "expected"),
    [
        ("speed_rad_s", 10.0),
        ("speed_setpoint_rad_s", 10.0),
        ("position_rad", 10.0),
        ("position_setpoint_rad", 10.0),
        ("torque_Nm", 1000.0),
        ("torque_setpoint_Nm", 1000.0),
    ],
)
@pytest.mark.parametrize("mounted", [1.0, -1.0])
def test_motor_side_through_the_gear(channel: str, expected: float, mounted: float):
    """Ten to one: the output turns a tenth as far and as fast, and pulls ten times as hard."""
    joint = "gear_ratio = 10.0\n" + ("reversed = true\n" if mounted < 0 else "")
    found = _value_of(channel, 100, keys='side = "motor"\n', joint=joint)
    assert found == pytest.approx(mounted * expected)
    assert _value_of(channel, 100, joint=joint) == pytest.approx(mounted * 100.0)


@pytest.mark.parametrize("channel", ["temperature_drive_degC", "voltage_V"])
def test_what_has_no_direction_is_not_mirrored(channel: str):
    """A joint mounted the other way is no colder, and its supply no lower."""
    assert _value_of(channel, 48, joint="reversed = true\n") == 48.0


def test_an_encoder_behind_a_gear():
    """CiA 402: 6619136 of 131072 counts a turn through 101:1 is half a turn at the output."""
    found = _value_of(
        "position_rad",
        6619136,
        keys=f'side = "motor"\nscale = {1 / 131072!r}\nunit = "turn"\n',
        joint="gear_ratio = 101.0\n",
    )
    assert found == pytest.approx(math.pi, rel=1e-12)


NO_VALUE = """
[[frame]]
name = "s"
identifier = 0x10
length = 4
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 16
encoder = { counts = 4096 }
no_value = [65535]
[[frame.value]]
channel = "current_A"
byte = 2
bits = 16
signed = true
no_value = [-32768, 32767]
"""


@pytest.mark.parametrize(
    ("joint", "encoder", "raw", "turns"),
    [
        ("", "encoder = { counts = 4096 }", 4095, -1 / 4096),
        ("zero_rad = 6.0\n", "encoder = { counts = 4096 }", 100, 100 / 4096 + 1 - 6 / math.tau),
        ("reversed = true\n", "encoder = { counts = 4096 }", 4095, 1 / 4096),
        # Behind a gear it counts a tenth of the joint's turn: no reason to take another than it is.
        ("gear_ratio = 10\n", 'side = "motor"\nencoder = { counts = 4096 }', 4095, 4095 / 40960),
    ],
)
def test_a_position_is_signed_about_its_zero(joint: str, encoder: str, raw: int, turns: float):
    """An encoder of a whole turn of the output reads just below zero, not nearly a turn."""
    value = f'[[frame.value]]\nchannel = "position_rad"\nbyte = 0\nbits = 16\n{encoder}\n'
    layout = f'[[frame]]\nname = "s"\nidentifier = 0x10\nlength = 2\n{value}'
    readings = _read(_bench(layout, joint), (0, 0x10, 0, raw.to_bytes(2, "little")))
    assert readings.columns["position_rad"].tolist() == pytest.approx([turns * math.tau])


def test_no_value_is_nan_and_ends_nothing():
    """A count that says "no value" leaves a hole; the turns go on from the reading before it."""
    raw = [(4090, 1), (65535, -32768), (6, 32767), (12, -1)]
    frames = [
        (
            i * 10_000_000,
            0x10,
            0,
            count.to_bytes(2, "little") + amp.to_bytes(2, "little", signed=True),
        )
        for i, (count, amp) in enumerate(raw)
    ]
    readings = _read(_bench(NO_VALUE, 'torque = { from = "current", per_ampere = 2.0 }\n'), *frames)
    turn = 2 * math.pi / 4096
    np.testing.assert_allclose(
        readings.columns["position_rad"], np.array([-6, np.nan, 6, 12]) * turn
    )
    assert readings.position_segment.tolist() == [0, -1, 0, 0]
    np.testing.assert_array_equal(readings.columns["current_A"], [1, np.nan, np.nan, -1])
    np.testing.assert_array_equal(readings.columns["torque_Nm"], [2, np.nan, np.nan, -2])


def test_a_long_payload():
    """CAN FD: a value in the last two of sixty-four bytes, beside short frames of the batch."""
    layout = (
        '[[frame]]\nname = "s"\nidentifier = 0x10\nlength = 64\n[[frame.value]]\n'
        'channel = "voltage_V"\nbyte = 62\nbits = 16\norder = "big"\n'
    )
    bench = _bench(layout)
    whole = bytes(62) + b"\x01\x02"
    assert _read(bench, (0, 0x10, FD, whole)).columns["voltage_V"].tolist() == [258.0]
    mixed = FrameBatch.from_rows([(0, 0x10, FD, whole), (1, 0x10, 0, bytes(8))])
    decoded, _ = decode(decode_plan(bench), DecodeState(), mixed)
    assert len(decoded.readings[0]) == 1
    assert decoded.rejected == {"too short": 1}


def test_fields_of_cia402():
    """0x182 9C FF 2C 01 00 00 as I16, I32: -100 per mille of 12 N.m, and 300 (worked bytes)."""
    layout = """
[[frame]]
name = "tpdo1"
identifier = "0x180 + node"
length = 6
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 16
signed = true
scale = 0.012
[[frame.value]]
channel = "speed_rad_s"
byte = 2
bits = 32
signed = true
"""
    bench = bench_from_texts(
        BENCH.replace("node = 3", "node = 2"),
        {"l": f'format = 1\nname = "l"\n{layout}'},
        where="bench.toml",
    )
    readings = _read(bench, (0, 0x182, 0, bytes.fromhex("9CFF2C010000")))
    assert readings.columns["torque_Nm"][0] == pytest.approx(-1.2)
    assert readings.columns["speed_rad_s"][0] == 300.0


def test_0x18_is_24_degrees_on_the_command_line(tmp_path, monkeypatch: pytest.MonkeyPatch):
    """One byte, 1 degC a count: 0x18 reads 24 degC (common practice of drives), in JSON too."""
    (tmp_path / "l.toml").write_text(
        'format = 1\nname = "l"\n[[frame]]\nname = "s"\nidentifier = "0x280 + node"\nlength = 2\n'
        'begins = "48"\n[[frame.value]]\nchannel = "temperature_housing_degC"\n'
        "byte = 1\nbits = 8\n",
        encoding="utf-8",
    )
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["decode", "bench.toml", "0x283", "48 18", "--json"])
    assert done.exit_code == 0, done.output
    answer = json.loads(done.stdout)
    assert answer["joint"] == "a"
    assert answer["readings"] == {"temperature_housing_degC": 24.0}
