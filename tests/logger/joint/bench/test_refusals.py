"""What is not decoded is counted, once and under one reason; nothing is ever raised."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan

LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "fast"
identifier = "0x280 + node"
begins = "48"
length = 8
[[frame.value]]
channel = "position_rad"
byte = 1
bits = 14
encoder = { counts = 16384 }
no_value = [0]
[[frame.value]]
channel = "speed_rad_s"
byte = 3
bits = 16
signed = true
unit = "rpm"
[[frame.value]]
channel = "temperature_winding_degC"
byte = 5
bits = 16
order = "big"
scale = 0.1
resistance = "pt100"
[[frame]]
name = "slow"
identifier = "0x280 + node"
begins = "49"
length = 4
[[frame.value]]
channel = "temperature_drive_degC"
byte = 2
bits = 12
resistance = { r25_ohm = 10000.0, b_K = 3435.0 }
[[frame]]
name = "long"
identifier = 0x18FF0000
mask = 0x1FFF0000
extended = true
length = 12
[[frame.value]]
channel = "fault_code"
byte = 8
bits = 32
"""


def _bench() -> Bench:
    text = '[bus]\ninterface = "virtual"\n'
    for name, node in (("a", 1), ("b", 2)):
        layout = "l" if name == "a" else "m"
        text += f'[[joint]]\nname = "{name}"\nlayout = "{layout}"\nnode = {node}\n'
    other = LAYOUT.replace('"l"', '"m"').replace("0x18FF0000", "0x18FE0000")
    return bench_from_texts(text, {"l": LAYOUT, "m": other}, where="bench.toml")


def _random(n: int, dice: np.random.Generator, width: int) -> FrameBatch:
    return FrameBatch(
        time_ns=np.cumsum(dice.integers(0, 400_000_000, n)),
        identifier=dice.choice([0x281, 0x282, 0x283, 0x18FF0001, 0x18FE0001, 0x1FFFFFFF], n).astype(
            np.uint32
        ),
        flags=np.where(
            dice.random(n) < 0.8, dice.choice([0, EXTENDED], n), dice.integers(0, 32, n)
        ).astype(np.uint8),
        # A damaged log may call any length; the bytes that are not there are not read.
        length=dice.integers(0, 80, n).astype(np.uint8),
        data=np.where(
            dice.random((n, width)) < 0.3, 0x48, dice.integers(0, 256, (n, width))
        ).astype(np.uint8),
        bus=np.zeros(n, np.uint8),
    )


def test_a_quarter_million_random_frames():
    """Each that this program did not send is one row of one joint, or counted once."""
    dice = np.random.default_rng(7)
    plan = decode_plan(_bench())
    rows, rejected, sent = 0, 0, 0
    reasons: set[str] = set()
    for width in (8, 64):
        frames = _random(125_000, dice, width)
        decoded, _ = decode(plan, DecodeState(), frames)
        rows += sum(len(readings) for readings in decoded.readings)
        rejected += sum(decoded.rejected.values())
        reasons |= set(decoded.rejected)
        sent += int(np.count_nonzero(frames.flags & SENT))
        for readings in decoded.readings:
            assert not any(np.isinf(values).any() for values in readings.columns.values())
    assert rows > 1000
    assert rows + rejected + sent == 250_000
    assert len(reasons) == 5


@given(st.integers(0, 31), st.sampled_from([0x281, 0x18FF0001]), st.binary(max_size=12))
def test_every_frame_has_one_fate(flags: int, identifier: int, payload: bytes):
    """Any set of flags: decoded, our own, or refused for one reason."""
    frames = FrameBatch.from_rows([(0, identifier, flags, payload)])
    decoded, _ = decode(decode_plan(_bench()), DecodeState(), frames)
    fates = sum(len(readings) for readings in decoded.readings) + sum(decoded.rejected.values())
    assert fates == (0 if flags & SENT else 1)
    if flags & (REMOTE | ERROR):
        assert not any(len(readings) for readings in decoded.readings)


def test_nothing_in_nothing_out():
    """An empty batch gives empty readings, and leaves the state as it was."""
    plan = decode_plan(_bench())
    payload = b"\x48\x10\x00\x00\x00\x00\x00\x00"
    _, state = decode(plan, DecodeState(), FrameBatch.from_rows([(0, 0x281, 0, payload)]))
    decoded, after = decode(plan, state, FrameBatch.empty())
    assert [len(readings) for readings in decoded.readings] == [0, 0]
    assert decoded.rejected == decoded.out_of_range == {}
    assert after.joints["a"].turns == state.joints["a"].turns
