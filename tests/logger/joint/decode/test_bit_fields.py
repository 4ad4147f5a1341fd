"""Every raw number of a value is stored, absent or outside its range, as counted one by one."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.channels import channel_named
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from tests.support.depth import examples

CHANNELS = ["temperature_housing_degC", "current_A", "voltage_V", "speed_rad_s"]


def _bench(value: str, joint: str = "") -> Bench:
    return bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n' + joint,
        {
            "l": 'format = 1\nname = "l"\n[[frame]]\nname = "f"\nidentifier = 0x10\nlength = 8\n'
            f"[[frame.value]]\n{value}"
        },
        where="bench.toml",
    )


@settings(max_examples=examples(150))
@given(st.data())
def test_each_raw_number_is_judged(data: st.DataObject):
    """No value of a batch escapes the check of its range, nor its "no value", for being usual."""
    channel = channel_named(data.draw(st.sampled_from(CHANNELS)))
    bits = data.draw(st.integers(1, 10))
    signed = data.draw(st.booleans())
    lowest, highest = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    scale = data.draw(st.sampled_from([0.25, 1.0, -1.0, 30.0, -500.0, 1e5]))
    offset = data.draw(st.sampled_from([0.0, -40.0, 249.5, 1e5]))
    number = st.integers(lowest, highest)
    absent = data.draw(st.lists(st.tuples(number, number).map(sorted), max_size=3))
    order = data.draw(st.sampled_from(["little", "big"]))
    written = ", ".join(f'"{low}..{high}"' if low < high else f"{low}" for low, high in absent)
    bench = _bench(
        f'channel = "{channel.name}"\nbyte = 2\nbits = {bits}\nsigned = {str(signed).lower()}\n'
        f'order = "{order}"\nscale = {scale}\noffset = {offset}\nno_value = [{written}]\n'
    )
    raws = list(range(lowest, highest + 1))
    start = 16 if order == "little" else 40 - bits
    payloads = [((raw & (1 << bits) - 1) << start) for raw in raws]
    rows = [
        (at, 0x10, 0, payload.to_bytes(8, order) if order == "little" else _big(payload, bits))
        for at, payload in enumerate(payloads)
    ]
    decoded, _ = decode(decode_plan(bench), DecodeState(), FrameBatch.from_rows(rows))
    expected = [
        math.nan if any(low <= raw <= high for low, high in absent) else raw * scale + offset
        for raw in raws
    ]
    found = decoded.readings[0].columns[channel.name]
    np.testing.assert_array_equal(found, expected)
    outside = [value for value in expected if value < channel.lowest or value > channel.highest]
    strange = decoded.out_of_range.get(("a", channel.name))
    assert (strange.count if strange else 0) == len(outside)
    assert not outside or (strange is not None and strange.value == outside[0])


def _big(payload: int, bits: int) -> bytes:
    """Return eight bytes with a number whose highest bit is the highest of the third."""
    number = payload >> (40 - bits)
    return (number << (48 - bits)).to_bytes(8, "big")


@pytest.mark.parametrize("count", [4096, 16383, 16384, 16385, 40000])
def test_long_batches(count: int):
    """What is computed block by block is the same in a batch of any length."""
    bench = _bench('channel = "current_A"\nbyte = 0\nbits = 16\nno_value = [7]\n')
    frames = FrameBatch.from_rows(
        [(at, 0x10, 0, (at % 65536).to_bytes(2, "little") + bytes(6)) for at in range(count)]
    )
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
    expected = np.arange(count, dtype=float)
    expected[7] = math.nan
    np.testing.assert_array_equal(decoded.readings[0].columns["current_A"], expected)


@pytest.mark.parametrize("scale", ["inf", "1e-320", "1e308"])
def test_a_scale_beyond_all_bounds(scale: str):
    """Such a layout is refused, or decodes to what floating point makes of it."""
    try:
        plan = decode_plan(_bench(f'channel = "current_A"\nbyte = 0\nbits = 8\nscale = {scale}\n'))
    except InputError:
        return
    frames = FrameBatch.from_rows([(0, 0x10, 0, b"\x01" + bytes(7))])
    decoded, _ = decode(plan, DecodeState(), frames)
    assert decoded.readings[0].columns["current_A"].tolist() == [float(scale)]


def test_one_identifier_on_three_buses():
    """An 11-bit identifier belongs to the joint of its bus; on a bus without one to none."""
    text = "".join(
        f'[[bus]]\nname = "{name}"\ninterface = "virtual"\nchannel = "{name}"\n' for name in "xyz"
    ) + "".join(
        f'[[joint]]\nname = "{joint}"\nbus = "{bus}"\nlayout = "l"\n'
        for joint, bus in (("one", "x"), ("two", "z"))
    )
    layout = (
        'format = 1\nname = "l"\n[[frame]]\nname = "f"\nidentifier = 0x7FF\nlength = 1\n'
        '[[frame.value]]\nchannel = "current_A"\nbyte = 0\nbits = 8\n'
    )
    plan = decode_plan(bench_from_texts(text, {"l": layout}, where="bench.toml"))
    batches = [FrameBatch.from_rows([(bus, 0x7FF, 0, bytes([bus]))], bus=bus) for bus in range(4)]
    beyond = FrameBatch.from_rows([(9, 0x800, 0, b"\x09")], bus=2)
    decoded, _ = decode(plan, DecodeState(), FrameBatch.concatenate([*batches, beyond]))
    currents = [readings.columns["current_A"].tolist() for readings in decoded.readings]
    assert currents == [[0.0], [2.0]]
    assert decoded.rejected == {"identifier of no joint": 3}
