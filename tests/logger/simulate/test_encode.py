"""Encoding against bits taken apart by whole numbers, which know nothing of places."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputError
from logger.joint.bench.bench import JointSettings
from logger.joint.bench.layout import Frame
from logger.joint.bench.value import Encoder, Ntc, Value
from logger.simulate.encode import encode_frames, raw_counts
from logger.simulate.scenario import scenario_bench
from tests.support.depth import examples

PLAIN = JointSettings(name="plain", layout="any", gear_ratio=9.0)


def raw_of(payload, value):
    """Take a raw value out of a payload by shifting it as one whole number."""
    if value.order == "little":
        whole = int.from_bytes(payload, "little") >> (value.byte * 8 + value.first_bit)
    else:
        ends_at = value.byte * 8 + (7 - value.first_bit) + value.bits
        whole = int.from_bytes(payload, "big") >> (len(payload) * 8 - ends_at)
    whole &= (1 << value.bits) - 1
    if value.signed and whole >> (value.bits - 1):
        whole -= 1 << value.bits
    return whole


@st.composite
def values(draw):
    """Draw where a value stands in eight bytes, and a raw value that fits."""
    bits = draw(st.integers(1, 40))
    order = draw(st.sampled_from(["little", "big"]))
    start = draw(st.integers(0, 64 - bits))
    bit = start % 8 if order == "little" else 7 - start % 8
    signed = draw(st.booleans())
    value = Value(
        channel="voltage_V",
        byte=start // 8,
        bit=bit,
        bits=bits,
        order=order,
        signed=signed,
    )
    low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
    return value, draw(st.lists(st.integers(low, high), min_size=1, max_size=5))


@given(values())
@settings(max_examples=examples(300))
def test_every_place_holds_its_value_and_no_other(drawn):
    """Any place, width, order and sign: the bits come back, and all others stay zero."""
    value, raws = drawn
    frame = Frame(name="f", identifier=1, length=8, value=(value,))
    data = encode_frames(frame, PLAIN, {"voltage_V": np.array(raws, np.float64)})
    assert [raw_of(bytes(row), value) for row in data] == raws
    if value.bits < 64:
        ones = {"voltage_V": np.array([float((1 << value.bits) - 1)])}
        unsigned = value.model_copy(update={"signed": False})
        full = encode_frames(frame.model_copy(update={"value": (unsigned,)}), PLAIN, ones)
        assert int.from_bytes(bytes(full[0]), "big").bit_count() == value.bits


def test_the_harvest_joint_by_hand():
    """The three frames of the shipped layout, bytes worked out by hand."""
    the_bench = scenario_bench()
    shoulder = the_bench.joint_named("shoulder")
    motion, setpoints, health = the_bench.layout_of(shoulder).frame
    # 29 deg at the output = 261 deg at the motor = 14500 counts (38A4h); 10 rpm back = 1.5 turns a
    # second at the motor = -750 counts (FD12h); 5.5 A = 440 counts (1B8h) below the kind, 1.
    data = encode_frames(
        motion,
        shoulder,
        {
            "position_rad": np.radians([29.0]),
            "speed_rad_s": np.array([-10.0 * 2 * math.pi / 60]),
            "current_A": np.array([5.5]),
        },
    )
    assert data[0].tolist() == [0xB8, 0x21, 0x12, 0xFD, 0xA4, 0x38, 0x00, 0x00]
    # -1.5 N.m = -100 counts, in 13 bits 1F9Ch, below the kind, 2; 76 deg = 21111 counts (5277h).
    data = encode_frames(
        setpoints,
        shoulder,
        {"position_setpoint_rad": np.radians([76.0]), "torque_setpoint_Nm": np.array([-1.5])},
    )
    assert data[0, :5].tolist() == [0x9C, 0x5F, 0x77, 0x52, 0x00]
    # 47.96 V = 2398 counts (95Eh), 48 V = 2400 (960h), below the kind, 6; degrees begin at -55.
    data = encode_frames(
        health,
        shoulder,
        {
            "temperature_housing_degC": np.array([66.4, np.nan]),
            "temperature_drive_degC": np.array([-3.0, 57.0]),
            "voltage_V": np.array([47.96, 48.0]),
            "fault_code": np.array([1.0, 0.0]),
        },
    )
    assert data[:, :5].tolist() == [
        [0x5E, 0xC9, 52, 1, 121],
        [0x60, 0xC9, 112, 0, 0xFF],
    ]


def test_mounted_reversed_and_on_the_motor_side():
    """Sign and gear: speed and position times the ratio, torque divided by it, all mirrored."""
    mirrored = PLAIN.model_copy(update={"reversed": True})
    speed = Value(channel="speed_rad_s", byte=0, bits=16, signed=True, scale=0.01, side="motor")
    torque = Value(channel="torque_Nm", byte=0, bits=16, signed=True, scale=0.01, side="motor")
    warm = Value(channel="temperature_housing_degC", byte=0, bits=8, signed=True)
    assert raw_counts(speed, mirrored, np.array([1.0])).tolist() == [-900]
    assert raw_counts(torque, mirrored, np.array([9.0])).tolist() == [-100]
    assert raw_counts(warm, mirrored, np.array([20.0])).tolist() == [20]


def test_a_single_turn_encoder_starts_again():
    """A turn and a quarter reads as a quarter; just below zero reads near the top."""
    value = Value(channel="position_rad", byte=0, bits=14, encoder=Encoder(counts=16384))
    turns = np.array([1.25, -1 / 16384, 0.0, 1.0])
    assert raw_counts(value, PLAIN, turns * 2 * math.pi).tolist() == [4096, 16383, 0, 0]


def test_beyond_its_bits_a_value_is_held():
    """300 degC does not wrap round in a signed byte: it reads 127."""
    value = Value(channel="temperature_housing_degC", byte=0, bits=8, signed=True)
    assert raw_counts(value, PLAIN, np.array([300.0, -300.0])).tolist() == [127, -128]


def test_resistance_sensors():
    """A Pt100 has 138.5055 ohm at 100 degC (IEC 60751), a 10 k thermistor (B 3435) 5758.8 at 40."""
    pt = Value(channel="temperature_winding_degC", byte=0, bits=16, scale=0.01, resistance="pt100")
    ntc = Value(
        channel="temperature_winding_degC",
        byte=0,
        bits=16,
        resistance=Ntc(r25_ohm=10000.0, b_K=3435.0),
    )
    assert raw_counts(pt, PLAIN, np.array([100.0])).tolist() == [13851]
    assert raw_counts(ntc, PLAIN, np.array([40.0])).tolist() == [5759]


def test_no_value_without_a_raw_value_is_refused():
    """NaN is not silently sent as a number."""
    value = Value(channel="voltage_V", byte=0, bits=16)
    with pytest.raises(InputError, match=r"voltage_V: found no value \(NaN\) in 1 rows"):
        raw_counts(value, PLAIN, np.array([np.nan, 1.0]))


def test_a_channel_that_is_not_there_is_named():
    """A frame cannot be sent without its values; the message names the channel."""
    frame = scenario_bench().layouts["harvest-joint"].frame[0]
    with pytest.raises(InputError, match="nothing to send as current_A"):
        encode_frames(frame, PLAIN, {"position_rad": np.zeros(1)})
