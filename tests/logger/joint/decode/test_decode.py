"""Frames to readings, held against cantools, J1939's examples and CiA 402's bytes."""

import cantools.database
import numpy as np
import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger.joint.batch import ERROR, EXTENDED, REMOTE, FrameBatch
from logger.joint.bench.value import Value
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.joint.decode.raw_values import raw_values
from logger.joint.explain.explain import explain_frame
from logger.joint.explain.typed import parse_typed_frame
from tests.support.depth import examples
from tests.support.one_joint import MOTOR, decode_one, one_joint_bench

CHANNELS = ["current_A", "voltage_V", "torque_Nm", "speed_rad_s", "temperature_drive_degC"]


J1939 = """
[[frame]]
name = "engine"
identifier = 0x0CF00400
extended = true
length = 8
[[frame.value]]
channel = "speed_rad_s"
byte = 3
bits = 16
scale = 0.125
unit = "rpm"
no_value = [65535, 65534]
[[frame]]
name = "temperatures"
identifier = 0x18FEEE00
extended = true
length = 8
[[frame.value]]
channel = "temperature_housing_degC"
byte = 0
bits = 8
offset = -40.0
no_value = [255, 254]
[[frame.value]]
channel = "temperature_winding_degC"
byte = 2
bits = 16
scale = 0.03125
offset = -273.0
no_value = [65535]
"""

RPM = 2 * np.pi / 60


def _j1939_reference() -> Database:
    def signal(name: str, start: int, bits: int, scale: float, offset: float) -> Signal:
        return Signal(
            name, start, bits, conversion=BaseConversion.factory(scale=scale, offset=offset)
        )

    return cantools.database.can.Database(
        [
            Message(
                0x0CF00400, "EEC1", 8, [signal("speed", 24, 16, 0.125, 0)], is_extended_frame=True
            ),
            Message(
                0x18FEEE00,
                "ET1",
                8,
                [signal("coolant", 0, 8, 1, -40), signal("oil", 16, 16, 0.03125, -273)],
                is_extended_frame=True,
            ),
        ]
    )


@pytest.mark.parametrize(
    ("payload", "rpm"), [("FF7D7DE015FFF0FF", 700.0), ("FFFFFF683DFFFFFF", 1965.0)]
)
def test_j1939_engine_speed(payload: str, rpm: float):
    """SAE J1939-71, SPN 190: 0.125 rpm a bit, bytes 4-5; 700 rpm is a published example."""
    found = decode_one(one_joint_bench(J1939), 0x0CF00400, payload, flags=EXTENDED)
    assert found["speed_rad_s"] == pytest.approx(rpm * RPM, rel=1e-12)
    other = _j1939_reference().decode_message(0x0CF00400, bytes.fromhex(payload))
    assert other["speed"] == rpm


def test_j1939_temperatures():
    """SPN 110: 1 degC a bit, offset -40; SPN 175: 0.03125, -273 (the latter from memory)."""
    payload = "7D64602AFFFFFFFF"
    found = decode_one(one_joint_bench(J1939), 0x18FEEE00, payload, flags=EXTENDED)
    other = _j1939_reference().decode_message(0x18FEEE00, bytes.fromhex(payload))
    assert found["temperature_housing_degC"] == other["coolant"] == 85.0
    assert found["temperature_winding_degC"] == pytest.approx(other["oil"]) == pytest.approx(66.0)


def test_not_available_is_no_value():
    """All ones mean "not available" (J1939-71, from memory) where the layout says so."""
    found = decode_one(one_joint_bench(J1939), 0x18FEEE00, "FFFFFFFFFFFFFFFF", flags=EXTENDED)
    assert np.isnan(found["temperature_housing_degC"])
    assert np.isnan(found["temperature_winding_degC"])


def test_cia402_process_data():
    """U16, I32, I16 per mille: 37 06 E8 03 00 00 58 FF is -168 per mille of 12 N.m: -2.016 N.m."""
    layout = """
[[frame]]
name = "tpdo1"
identifier = "0x180 + node"
length = 8
[[frame.value]]
channel = "fault_code"
byte = 0
bits = 16
[[frame.value]]
channel = "torque_Nm"
byte = 6
bits = 16
signed = true
scale = 0.012
"""
    bench = one_joint_bench(layout)
    found = decode_one(bench, 0x183, "3706E803000058FF")
    assert found["torque_Nm"] == pytest.approx(-2.016)
    assert found["fault_code"] == 0x0637


def test_0x18_is_24_degrees():
    """One byte, 1 degC a count: 0x18 reads 24 degC (common practice of drives)."""
    layout = """
[[frame]]
name = "s"
identifier = 0x10
length = 2
[[frame.value]]
channel = "temperature_housing_degC"
byte = 1
bits = 8
signed = true
"""
    (found,) = explain_frame(one_joint_bench(layout), parse_typed_frame("0x10", "00 18"))
    assert found.readings == {"temperature_housing_degC": 24.0}


def test_what_is_not_decoded_is_counted_by_reason():
    """Foreign, remote, error, too short, unknown lead: counted, never raised."""
    layout = '[[frame]]\nname = "s"\nidentifier = 0x10\nbegins = "41"\nlength = 4\n'
    frames = FrameBatch.from_rows(
        [
            (0, 0x10, 0, b"\x41abc"),
            (1, 0x10, 0, b"\x41a"),
            (2, 0x10, 0, b"\x42abc"),
            (3, 0x10, 0, b""),
            (4, 0x11, 0, b"\x41abc"),
            (5, 0x10, EXTENDED, b"\x41abc"),
            (6, 0x10, REMOTE, b""),
            (7, 0x0, ERROR, b""),
        ]
    )
    decoded, _ = decode(decode_plan(one_joint_bench(layout)), DecodeState(), frames)
    assert len(decoded.readings[0]) == 1
    assert decoded.rejected == {
        "remote frame": 1,
        "error frame": 1,
        "identifier of no joint": 2,
        "leading bytes of no frame": 2,
        "too short": 1,
    }


def test_random_frames_never_raise():
    """A million random frames: each is a reading or counted."""
    dice = np.random.default_rng(0)
    n = 1_000_000
    frames = FrameBatch(
        time_ns=np.arange(n) * 1000,
        identifier=dice.choice([0x10, 0x11, 0x7FF], n).astype(np.uint32),
        flags=dice.choice([0, 0, 0, EXTENDED, REMOTE, ERROR], n).astype(np.uint8),
        length=dice.integers(0, 9, n).astype(np.uint8),
        data=dice.integers(0, 256, (n, 8)).astype(np.uint8),
        bus=np.zeros(n, np.uint8),
    )
    decoded, _ = decode(decode_plan(one_joint_bench(MOTOR)), DecodeState(), frames)
    assert len(decoded.readings[0]) + sum(decoded.rejected.values()) == n
    assert len(decoded.readings[0]) > 0


@st.composite
def _values(draw: st.DrawFn) -> list[tuple[Value, Signal]]:
    """Values at random places that do not overlap, in our words and in cantools'."""
    made, taken = [], set()
    for index in range(draw(st.integers(1, 4))):
        order = draw(st.sampled_from(["little", "big"]))
        bits = draw(st.integers(1, 64))
        byte, bit = draw(st.integers(0, 7)), draw(st.integers(0, 7))
        signed = draw(st.booleans()) and bits > 1
        scale = draw(st.sampled_from([1.0, 0.1, 0.125, -2.0]))
        offset = draw(st.sampled_from([0.0, -40.0, 7.5]))
        value = Value(
            channel=CHANNELS[index],
            byte=byte,
            bit=bit,
            bits=bits,
            order=order,
            signed=signed,
            scale=scale,
            offset=offset,
        )
        places = set(value.bit_places)
        if max(place for place, _ in places) > 7 or places & taken:
            continue
        taken |= places
        signal = Signal(
            CHANNELS[index],
            byte * 8 + bit,
            bits,
            byte_order=f"{order}_endian",
            is_signed=signed,
            conversion=BaseConversion.factory(scale=scale, offset=offset),
        )
        made.append((value, signal))
    assume(made)
    return made


@settings(max_examples=examples(200))
@given(_values(), st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=5))
def test_any_place_decodes_as_cantools_decodes_it(
    values: list[tuple[Value, Signal]], payloads: list[bytes]
):
    """Byte orders, signs, lengths to 64 bits, any bit: the same values as cantools."""
    message = Message(0x10, "m", 8, [signal for _, signal in values])
    data = np.frombuffer(b"".join(payloads), np.uint8).reshape(-1, 8)
    for value, signal in values:
        raw = raw_values(data, value)
        whole = raw if value.signed or value.bits < 64 else raw.view(np.uint64)
        ours = [float(number) * value.scale + value.offset for number in whole.tolist()]
        theirs = [message.decode(payload)[signal.name] for payload in payloads]
        assert ours == pytest.approx([float(number) for number in theirs], rel=1e-12, abs=1e-12)


def test_a_mask_leaves_bits_open():
    """Identifiers that differ in bits outside the mask are one kind of frame."""
    layout = """
[[frame]]
name = "s"
identifier = "0x200 + node"
mask = 0x60F
length = 1
[[frame.value]]
channel = "temperature_drive_degC"
byte = 0
bits = 8
"""
    heard = [0x203, 0x213, 0x3F3, 0x204, 0x403, 0x003]
    frames = FrameBatch.from_rows([(i, number, 0, bytes([i])) for i, number in enumerate(heard)])
    decoded, _ = decode(decode_plan(one_joint_bench(layout)), DecodeState(), frames)
    assert decoded.readings[0].columns["temperature_drive_degC"].tolist() == [0.0, 1.0, 2.0]
    assert decoded.rejected == {"identifier of no joint": 3}


def test_a_row_carries_what_its_frame_says_and_nothing_held():
    """Two kinds told apart by their first byte: the other's channels are NaN, in order of time."""
    layout = ""
    for lead, channel in (("41", "current_A"), ("42", "voltage_V")):
        layout += f"""
[[frame]]
name = "{channel}"
identifier = 0x10
begins = "{lead}"
length = 3
[[frame.value]]
channel = "{channel}"
byte = 1
bits = 16
"""
    frames = FrameBatch.from_rows(
        [
            (0, 0x10, 0, b"\x41\x01\x00"),
            (5, 0x10, 0, b"\x42\x02\x00"),
            (9, 0x10, 0, b"\x41\x03\x00"),
        ]
    )
    readings = decode(decode_plan(one_joint_bench(layout)), DecodeState(), frames)[0].readings[0]
    np.testing.assert_array_equal(readings.columns["current_A"], [1.0, np.nan, 3.0])
    np.testing.assert_array_equal(readings.columns["voltage_V"], [np.nan, 2.0, np.nan])
    assert readings.time_ns.tolist() == [0, 5, 9]
    assert readings.position_segment.tolist() == [-1, -1, -1]


@pytest.mark.parametrize("width", [8, 64])
def test_bytes_that_a_batch_does_not_hold(width: int):
    """A CAN FD layout meets classic frames, and lengths that lie: too short, never an exception."""
    layout = f"""
[[frame]]
name = "wide"
identifier = 0x10
begins = "{"00" * 12}"
length = 20
[[frame.value]]
channel = "current_A"
byte = 18
bits = 16
"""
    frames = FrameBatch(
        time_ns=np.arange(3),
        identifier=np.full(3, 0x10, np.uint32),
        flags=np.zeros(3, np.uint8),
        length=np.array([8, 20, 255], np.uint8),
        data=np.zeros((3, width), np.uint8),
        bus=np.zeros(3, np.uint8),
    )
    decoded, _ = decode(decode_plan(one_joint_bench(layout)), DecodeState(), frames)
    assert len(decoded.readings[0]) == (2 if width == 64 else 0)
    assert len(decoded.readings[0]) + sum(decoded.rejected.values()) == 3
