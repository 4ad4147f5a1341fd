"""Declared relations: from what a joint sends to canonical channels, against plain arithmetic."""

import math
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputError
from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.simulate.encode import raw_counts

BUS = '[bus]\ninterface = "virtual"\n'


def _bench(value: str, joint: str = "", *, frame: str = "") -> Bench:
    layout = (
        'format = 1\nname = "l"\n[[frame]]\nname = "f"\nidentifier = 0x10\nlength = 8\n'
        f"{frame}\n[[frame.value]]\n{value}\n"
    )
    text = f'{BUS}[[joint]]\nname = "a"\nlayout = "l"\n{joint}\n'
    return bench_from_texts(text, {"l": layout}, where="bench.toml")


def _values(bench: Bench, payloads: list[bytes], channel: str) -> list[float]:
    frames = FrameBatch.from_rows(
        [(at * 10_000_000, 0x10, 0, payload.ljust(8, b"\0")) for at, payload in enumerate(payloads)]
    )
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
    assert decoded.rejected == {}
    return decoded.readings[0].columns[channel].tolist()


@pytest.mark.parametrize(
    ("joint", "expected"),
    [
        ("rated = { torque = 12.0 }", -2.016),
        ("rated = { torque = 9.0 }\nper_mille = { torque = 12.0 }", -2.016),
        # Some drives scale torque by rated current: 168 per mille of 8 A at 1.5 N.m/A.
        (
            'rated = { current = 8.0, torque = 12.0 }\nper_mille = { torque = "current" }\n'
            "torque = { per_ampere = 1.5 }",
            -2.016,
        ),
        ("rated = { torque = 12.0 }\nreversed = true", 2.016),
    ],
)
def test_per_mille_of_a_rated_value(joint: str, expected: float):
    """-168 per mille of 12 N.m are -2.016 N.m: the worked example of IEC 61800-7-201 objects."""
    bench = _bench(
        'channel = "torque_Nm"\nbyte = 0\nbits = 16\nsigned = true\nunit = "per_mille"', joint
    )
    assert _values(bench, [struct.pack("<h", -168)], "torque_Nm") == pytest.approx([expected])


def test_a_share_of_nothing_is_refused():
    """A layout that reports shares needs to know of what: the key and its unit are named."""
    with pytest.raises(InputError) as fault:
        _bench('channel = "current_A"\nbyte = 0\nbits = 16\nunit = "per_cent"')
    assert str(fault.value) == (
        "bench.toml: joint[1].per_mille.current: this key is missing; the layout reports current "
        "as a share, expected what 1000 per mille are in A (here, or as rated.current)."
    )


def test_counts_of_a_turn():
    """6619136 counts at 131072 a turn, gear 101, are half a turn at the output."""
    bench = _bench(
        'channel = "position_rad"\nbyte = 0\nbits = 32\nsigned = true\nper_turn = 131072\n'
        'side = "motor"',
        "gear_ratio = 101",
    )
    assert _values(bench, [struct.pack("<i", 6619136)], "position_rad") == pytest.approx([math.pi])


POSITIONS = {
    "scaled": 'bits = 32\nsigned = true\nscale = 0.0001\nunit = "rad"',
    "counts": "bits = 32\nsigned = true\nper_turn = 65536",
    "encoder": "bits = 16\nencoder = { counts = 65536 }",
}


@pytest.mark.parametrize(
    ("channel", "kind"),
    [
        *(("position_rad", kind) for kind in POSITIONS),
        ("position_setpoint_rad", "scaled"),
        ("position_setpoint_rad", "counts"),
    ],
)
@pytest.mark.parametrize("side", ["output", "motor"])
@pytest.mark.parametrize("reversed_", [False, True])
@pytest.mark.parametrize("zero_rad", [0.7, -0.25])
def test_the_zero_of_a_joint(channel: str, kind: str, side: str, reversed_: bool, zero_rad: float):  # noqa: FBT001 - a case
    """Where it reports `zero_rad` it is at 0; a little beyond, it is beyond in its direction."""
    bench = _bench(
        f'channel = "{channel}"\nbyte = 0\n{POSITIONS[kind]}\nside = "{side}"',
        f"zero_rad = {zero_rad}\nreversed = {str(reversed_).lower()}\ngear_ratio = 8",
    )
    counts_per_rad = 10_000 if kind == "scaled" else 65536 / (2 * math.pi)
    counts_per_rad *= 8 if side == "motor" else 1
    raws = [round(at * counts_per_rad) for at in (zero_rad, zero_rad + 0.1)]
    if kind == "encoder":
        raws = [raw % 65536 for raw in raws]
    code = "<H" if kind == "encoder" else "<i"
    turn = 2 * math.pi / (8 if side == "motor" else 1)
    found = _values(bench, [struct.pack(code, raw) for raw in raws], channel)
    if kind == "encoder":  # of one turn: whole turns are open
        found = [found[0] - round(found[0] / turn) * turn, found[1] - found[0]]
    else:
        found[1] -= found[0]
    assert found == pytest.approx([0.0, -0.1 if reversed_ else 0.1], abs=2 / counts_per_rad)
    layout_value = bench.layout_of(bench.joints[0]).frame[0].value[0]
    sent = raw_counts(layout_value, bench.joints[0], np.array([0.0, found[1]]))
    # A simulated joint at 0 sends the same, and decoding it gives 0.
    assert np.abs(sent - raws).max() <= 1


@pytest.mark.parametrize(
    ("channel", "value", "payload"),
    [
        ("speed_rad_s", "bits = 16\nsigned = true", b""),
        ("current_A", "bits = 16\noffset = -0.0", b""),
        ("position_rad", "bits = 14\nencoder = { counts = 16384 }", b""),
        ("torque_Nm", 'bits = 32\ntype = "float"', b""),
        ("voltage_V", 'bits = 32\ntype = "float"', struct.pack("<f", -0.0)),
        (
            "temperature_winding_degC",
            'bits = 16\nresistance = "pt100"\nscale = 0.01',
            struct.pack("<H", 10_000),
        ),
    ],
)
def test_nothing_is_a_negative_zero(channel: str, value: str, payload: bytes):
    """0 is 0, whatever sign a factor, a drive or a square root gave it."""
    bench = _bench(f'channel = "{channel}"\nbyte = 0\n{value}', "reversed = true")
    (found,) = _values(bench, [payload], channel)
    assert (found, math.copysign(1.0, found)) == (0.0, 1.0)


def test_an_encoder_of_many_turns_goes_on_after_a_silence():
    """It counts its turns itself: nothing is unknown after an hour, and its end is no jump."""
    bench = _bench(
        'channel = "position_rad"\nbyte = 0\nbits = 16\nencoder = { counts = 4096, turns = 16 }',
        "zero_rad = 1.0",
    )
    counts = [65000, 65500, 200]
    frames = FrameBatch.from_rows(
        [
            (at * 3_600_000_000_000, 0x10, 0, struct.pack("<H", count).ljust(8, b"\0"))
            for at, count in enumerate(counts)
        ]
    )
    readings = decode(decode_plan(bench), DecodeState(), frames)[0].readings[0]
    expected = [count * 2 * math.pi / 4096 - 1.0 for count in (-536, -36, 200)]
    assert readings.columns["position_rad"].tolist() == pytest.approx(expected)
    assert set(readings.position_segment.tolist()) == {0}


@pytest.mark.parametrize("speed", [0, 5, -5])
def test_a_speed_says_nothing_of_a_long_silence(speed: int):
    """An encoder of 16 turns counts them itself: what it did for an hour is not its speed now."""
    bench = _bench(
        'channel = "position_rad"\nbyte = 0\nbits = 16\nencoder = { counts = 4096, turns = 16 }\n'
        '[[frame.value]]\nchannel = "speed_rad_s"\nbyte = 2\nbits = 16\nsigned = true',
    )
    counts = [65000, 65500, 200]
    frames = FrameBatch.from_rows(
        [
            (at * 3_600_000_000_000, 0x10, 0, struct.pack("<Hh", count, speed).ljust(8, b"\0"))
            for at, count in enumerate(counts)
        ]
    )
    readings = decode(decode_plan(bench), DecodeState(), frames)[0].readings[0]
    expected = [count * 2 * math.pi / 4096 for count in (-536, -36, 200)]
    assert readings.columns["position_rad"].tolist() == pytest.approx(expected)
    assert set(readings.position_segment.tolist()) == {0}


@pytest.mark.parametrize(("code", "bits"), [("<e", 16), ("<f", 32), ("<d", 64), (">f", 32)])
def test_ieee_numbers(code: str, bits: int):
    """binary16, 32 and 64 as the struct module packs them; what is no number is no value."""
    order = "big" if code[0] == ">" else "little"
    bench = _bench(
        f'channel = "voltage_V"\nbyte = 0\nbits = {bits}\ntype = "float"\norder = "{order}"\n'
        "offset = 1.0"
    )
    numbers = [24.5, -3.0, math.nan, math.inf]
    found = _values(bench, [struct.pack(code, number) for number in numbers], "voltage_V")
    assert found[:2] == [25.5, -2.0]
    assert np.isnan(found[2:]).all()


@given(raw=st.integers(0, 255))
def test_a_range_that_means_no_value(raw: int):
    """0xFB to 0xFF and 0 mean none: as J1939 does (SAE J1939-71, from memory)."""
    bench = _bench('channel = "voltage_V"\nbyte = 0\nbits = 8\nno_value = [0, "0xFB..0xFF"]')
    found = _values(bench, [bytes([raw])], "voltage_V")
    assert np.isnan(found[0]) == (raw == 0 or raw >= 0xFB)


def test_one_frame_for_several_joints():
    """A controller's frame of set-points: each joint takes the value of its own slot."""
    layout = (
        'format = 1\nname = "l"\n[[frame]]\nname = "group"\nidentifier = 0x200\nlength = 8\n'
        "shared = true\n[[frame.value]]\n"
        'channel = "torque_setpoint_Nm"\nbyte = 0\nbits = 16\nsigned = true\nscale = 0.01\n'
        "slot_bytes = 2\n"
    )
    joints = "".join(
        f'[[joint]]\nname = "{name}"\nlayout = "l"\nnode = {slot}\nslot = {slot}\n'
        for slot, name in enumerate("abcd")
    )
    bench = bench_from_texts(BUS + joints, {"l": layout}, where="bench.toml")
    frames = FrameBatch.from_rows([(5, 0x200, 0, struct.pack("<4h", 100, -200, 300, 0))])
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
    assert [one.columns["torque_setpoint_Nm"].tolist() for one in decoded.readings] == [
        [1.0],
        [-2.0],
        [3.0],
        [0.0],
    ]


@pytest.mark.parametrize(
    ("written", "node", "number"),
    [
        ("(node << 5) | 0x09", 3, 0x69),
        ("node * 32 + 9", 3, 0x69),
        ("0x18FF0000 + node << 8", 2, 0x18FF0200),
    ],
)
def test_a_node_anywhere_in_an_identifier(written: str, node: int, number: int):
    """Sums and shifts of the node, 11 and 29 bits."""
    extended = number > 0x7FF
    layout = (
        f'format = 1\nname = "l"\n[[frame]]\nname = "f"\nidentifier = "{written}"\n'
        f"extended = {str(extended).lower()}\nlength = 1\n[[frame.value]]\n"
        'channel = "voltage_V"\nbyte = 0\nbits = 8\n'
    )
    text = f'{BUS}[[joint]]\nname = "a"\nlayout = "l"\nnode = {node}\n'
    plan = decode_plan(bench_from_texts(text, {"l": layout}, where="bench.toml"))
    frames = FrameBatch.from_rows([(0, number, EXTENDED if extended else 0, b"\x18")])
    assert decode(plan, DecodeState(), frames)[0].readings[0].columns["voltage_V"].tolist() == [24]


def test_kinds_told_by_a_field_anywhere_and_by_length():
    """One identifier: a multiplexer in byte 3, two kinds told by their length alone."""
    frame = 'identifier = 0x10\n{}\n[[frame.value]]\nchannel = "{}"\nbyte = 0\nbits = 8\n'
    match = "length = 4\nmatch = [{{ byte = 3, bit = 4, bits = 3, equals = {} }}]"
    layout = 'format = 1\nname = "l"\n' + "".join(
        f'[[frame]]\nname = "{channel}"\n' + frame.format(how, channel)
        for how, channel in [
            (match.format(1), "voltage_V"),
            (match.format(6), "current_A"),
            ("length = 2\nexact_length = true", "temperature_drive_degC"),
            ("length = 1\nexact_length = true", "temperature_housing_degC"),
        ]
    )
    bench = bench_from_texts(
        f'{BUS}[[joint]]\nname = "a"\nlayout = "l"\n', {"l": layout}, where="bench.toml"
    )
    payloads = [b"\x05\0\0\x1f", b"\x06\0\0\x6f", b"\x07\0", b"\x08", b"\0\0\0\x2f", b"\0\0\0"]
    frames = FrameBatch.from_rows([(at, 0x10, 0, payload) for at, payload in enumerate(payloads)])
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
    columns = decoded.readings[0].columns
    assert {name: np.nansum(values) for name, values in columns.items()} == {
        "voltage_V": 5.0,
        "current_A": 6.0,
        "temperature_drive_degC": 7.0,
        "temperature_housing_degC": 8.0,
    }
    assert sum(decoded.rejected.values()) == 2
