"""Decoded values in their units: resistance sensors, sides of the gear, reversed joints, signs."""

import numpy as np
import pytest

from logger.joint.batch import FrameBatch
from logger.joint.decode.decode import DecodeState, OutOfRange, decode, decode_plan
from tests.support.one_joint import MOTOR, decode_one, one_joint_bench


def test_resistance_sensors():
    """IEC 60751: 138.5055 ohm is 100 degC; a 10 k NTC with B 3435 has 2.0 k at 73.413 degC."""
    layout = """
[[frame]]
name = "s"
identifier = 0x10
length = 4
[[frame.value]]
channel = "temperature_winding_degC"
byte = 0
bits = 16
scale = 0.01
resistance = "pt100"
[[frame.value]]
channel = "temperature_housing_degC"
byte = 2
bits = 16
scale = 1.0
resistance = { r25_ohm = 10000.0, b_K = 3435.0 }
"""
    payload = (13851).to_bytes(2, "little") + (2000).to_bytes(2, "little")
    found = decode_one(one_joint_bench(layout), 0x10, payload.hex())
    assert found["temperature_winding_degC"] == pytest.approx(100.0, abs=0.02)
    assert found["temperature_housing_degC"] == pytest.approx(73.4133238, abs=1e-6)


def test_reversed_flips_all_of_it():
    """A joint mounted the other way turns position, speed, current, torque and set-points."""
    joint = 'gear_ratio = 9.0\ntorque = { from = "current", per_ampere = 1.62 }\n'
    payload = b"".join(number.to_bytes(2, "little") for number in (16384, 90, 500, 700)).hex()
    plain = decode_one(one_joint_bench(MOTOR, joint), 0x10, payload)
    turned = decode_one(one_joint_bench(MOTOR, joint + "reversed = true\n"), 0x10, payload)
    assert plain["position_rad"] == pytest.approx(2 * np.pi / 4 / 9)
    assert plain["speed_rad_s"] == pytest.approx(10.0)
    assert plain["torque_Nm"] == pytest.approx(8.1)
    for name, value in plain.items():
        assert turned[name] == pytest.approx(-value), name


@pytest.mark.parametrize(
    ("signed", "no_value", "raw"),
    [
        ("false", 2**64 - 1, 2**64 - 1),
        ("false", 2**63, 2**63),
        ("true", -(2**63), 2**63),
        ("true", -1, 2**64 - 1),
    ],
)
def test_no_value_of_sixty_four_bits(signed: str, no_value: int, raw: int):
    """The longest raw values are told apart to the last bit."""
    layout = f"""
[[frame]]
name = "s"
identifier = 0x10
length = 8
[[frame.value]]
channel = "voltage_V"
byte = 0
bits = 64
signed = {signed}
no_value = [{no_value}]
"""
    bench = one_joint_bench(layout)
    assert np.isnan(decode_one(bench, 0x10, raw.to_bytes(8, "little").hex())["voltage_V"])
    beside = decode_one(bench, 0x10, (raw ^ 1).to_bytes(8, "little").hex())["voltage_V"]
    assert np.isfinite(beside)


@pytest.mark.parametrize(
    ("channel", "unit", "side", "raw", "expected"),
    [
        ("temperature_winding_degC", "K", "output", 300, 26.85),
        ("current_A", "mA", "output", 1500, 1.5),
        ("torque_Nm", "mNm", "output", 1500, 1.5),
        ("torque_Nm", "Nm", "motor", 2, 18.0),
        ("torque_setpoint_Nm", "Nm", "motor", 2, 18.0),
        ("speed_rad_s", "rpm", "output", 60, 2 * np.pi),
        ("speed_rad_s", "rpm", "motor", 540, 2 * np.pi),
        ("speed_setpoint_rad_s", "deg_s", "output", 180, np.pi),
        ("position_rad", "turn", "motor", 9, 2 * np.pi),
        ("position_setpoint_rad", "deg", "output", 180, np.pi),
        ("voltage_V", "mV", "output", 48000, 48.0),
    ],
)
def test_units_and_sides(channel: str, unit: str, side: str, raw: int, expected: float):
    """SI at the output: speed and position through the gear are smaller, torque is greater."""
    layout = f"""
[[frame]]
name = "s"
identifier = 0x10
length = 4
[[frame.value]]
channel = "{channel}"
byte = 0
bits = 32
signed = true
unit = "{unit}"
side = "{side}"
"""
    bench = one_joint_bench(layout, "gear_ratio = 9.0\n")
    found = decode_one(bench, 0x10, raw.to_bytes(4, "little").hex())
    assert found[channel] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("ohm", "degc"),
    [(18.52008, -200.0), (60.25584, -100.0), (96.085879, -10.0), (100.0, 0.0), (175.856, 200.0)],
)
def test_a_pt100_carried_by_a_layout(ohm: float, degc: float):
    """IEC 60751 (read second-hand): resistance in micro-ohm to degrees, through the layout."""
    layout = """
[[frame]]
name = "s"
identifier = 0x10
length = 4
[[frame.value]]
channel = "temperature_winding_degC"
byte = 0
bits = 32
scale = 1e-6
resistance = "pt100"
no_value = [0]
"""
    raw = round(ohm * 1e6).to_bytes(4, "little").hex()
    assert decode_one(one_joint_bench(layout), 0x10, raw)[
        "temperature_winding_degC"
    ] == pytest.approx(degc, abs=1e-5)
    for broken in ("00000000", "FFFFFFFF"):
        assert np.isnan(
            decode_one(one_joint_bench(layout), 0x10, broken)["temperature_winding_degC"]
        )


def test_strange_values_are_kept_and_counted():
    """Outside the channel's valid range: counted by joint and channel, and still a reading."""
    layout = """
[[frame]]
name = "s"
identifier = 0x10
length = 2
[[frame.value]]
channel = "temperature_drive_degC"
byte = 0
bits = 16
"""
    frames = FrameBatch.from_rows([(i, 0x10, 0, bytes([250, i])) for i in range(3)])
    decoded, _ = decode(decode_plan(one_joint_bench(layout)), DecodeState(), frames)
    assert decoded.out_of_range == {
        ("a", "temperature_drive_degC"): OutOfRange(count=2, value=506.0, row=1, frame="s")
    }
    assert decoded.readings[0].columns["temperature_drive_degC"].tolist() == [250.0, 506.0, 762.0]


@pytest.mark.parametrize("payload", ["0100807F", "010080FF", "FFFFBF7F", "0000C07F"])
def test_no_number_of_either_kind_is_no_value(payload: str):
    """Signalling and quiet, of either sign: absent, and nothing warns of it."""
    layout = (
        '[[frame]]\nname = "s"\nidentifier = 0x10\nlength = 6\n'
        '[[frame.value]]\nchannel = "position_rad"\nbyte = 0\nbits = 32\ntype = "float"\n'
        '[[frame.value]]\nchannel = "current_A"\nbyte = 4\nbits = 16\n'
    )
    found = decode_one(one_joint_bench(layout), 0x10, payload + "0700")
    assert np.isnan(found["position_rad"])
    assert found["current_A"] == 7.0
