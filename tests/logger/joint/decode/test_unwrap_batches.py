"""The turns of an encoder through decode: whatever comes between the counts, and in any pieces."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from tests.support.depth import examples

BENCH = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\nnode = 3\n'
APART = """
[[frame]]
name = "count"
identifier = 0x10
length = 2
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 14
side = "motor"
encoder = { counts = 16384 }
no_value = [16383]
[[frame]]
name = "speed"
identifier = 0x11
length = 2
[[frame.value]]
channel = "speed_rad_s"
byte = 0
bits = 16
signed = true
unit = "rpm"
side = "motor"
[[frame]]
name = "heat"
identifier = 0x12
length = 1
[[frame.value]]
channel = "temperature_drive_degC"
byte = 0
bits = 8
"""


def _bench(joint: str = "") -> Bench:
    return bench_from_texts(
        BENCH + joint, {"l": f'format = 1\nname = "l"\n{APART}'}, where="bench.toml"
    )


def _pieces(bench: Bench, frames: FrameBatch, edges: list[int]) -> dict[str, np.ndarray]:
    plan, state = decode_plan(bench), DecodeState()
    found: dict[str, list[np.ndarray]] = {}
    for first, last in pairwise(edges):
        decoded, state = decode(plan, state, frames.select_rows(slice(first, last)))
        readings = decoded.readings[0]
        columns = {"time_ns": readings.time_ns, "segment": readings.position_segment}
        for name, values in {**columns, **readings.columns}.items():
            found.setdefault(name, []).append(values)
    return {name: np.concatenate(parts) for name, parts in found.items()}


def test_a_speed_in_a_frame_of_its_own_tells_the_turns():
    """3600 rpm, a count every 20 ms, the speed in between: 1.2 turns each, even frame by frame."""
    rows = []
    for i in range(6):
        rows.append((i * 20_000_000, 0x10, 0, (i * 19661 % 16384).to_bytes(2, "little")))
        rows.append((i * 20_000_000 + 1, 0x11, 0, (3600).to_bytes(2, "little")))
    frames = FrameBatch.from_rows(rows)
    bench = _bench("gear_ratio = 9.0\n")
    for edges in ([0, 12], list(range(13))):
        found = _pieces(bench, frames, edges)
        angle = found["position_rad"][::2]
        assert np.diff(angle) == pytest.approx(np.full(5, 19661 / 16384 * 2 * np.pi / 9))
        assert found["segment"].tolist() == [0, -1] * 6


def test_a_power_cycle_starts_a_segment():
    """Silent for longer than turns are known: the position begins anew, in a new segment."""
    rows = [
        (0, 0x10, 0, b"\x00\x10"),
        (10**9, 0x10, 0, b"\x00\x20"),
        (10**9 + 10**7, 0x10, 0, b"\x00\x30"),
    ]
    frames = FrameBatch.from_rows(rows)
    found = _pieces(_bench(), frames, [0, 3])
    assert found["segment"].tolist() == [0, 1, 1]
    assert found["position_rad"] == pytest.approx(np.array([0.25, -0.5, -0.25]) * 2 * np.pi)


@settings(max_examples=examples(60))
@given(st.integers(0, 2**31 - 1), st.lists(st.integers(0, 150), max_size=20), st.booleans())
def test_any_chunking_decodes_alike(seed: int, cuts: list[int], turned: bool):  # noqa: FBT001 - drawn
    """Counts, speeds and temperatures in frames of their own, gaps, foreign frames: any pieces."""
    dice = np.random.default_rng(seed)
    n = 150
    time_ns = np.cumsum(
        dice.choice([0, 1_000_000, 60_000_000, 300_000_000], n, p=[0.1, 0.6, 0.2, 0.1])
    )
    frames = FrameBatch(
        time_ns=time_ns + 10**18,
        identifier=dice.choice([0x10, 0x11, 0x12, 0x13], n).astype(np.uint32),
        flags=np.zeros(n, np.uint8),
        length=dice.choice([1, 2, 8], n).astype(np.uint8),
        data=dice.choice([0, 1, 32, 63, 255], (n, 8)).astype(np.uint8),
        bus=np.zeros(n, np.uint8),
    )
    bench = _bench(f"gear_ratio = 9.0\nreversed = {str(turned).lower()}\n")
    whole = _pieces(bench, frames, [0, n])
    pieces = _pieces(bench, frames, [0, *sorted(cuts), n])
    for name, values in whole.items():
        np.testing.assert_array_equal(pieces[name], values, name)


BESIDE = """
[[frame]]
name = "motion"
identifier = 0x10
length = 4
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 14
side = "motor"
encoder = { counts = 16384 }
no_value = [16383]
[[frame.value]]
channel = "speed_rad_s"
byte = 2
bits = 16
signed = true
unit = "rpm"
side = "motor"
no_value = [-32768]
"""


@settings(max_examples=examples(150))
@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.integers(0, 80), max_size=8),
)
def test_absent_counts_and_speeds_in_any_pieces(seed: int, cuts: list[int]):
    """Count and speed in one frame, each absent now and then: the same in any chunking."""
    dice = np.random.default_rng(seed)
    n = 80
    counts = np.where(dice.random(n) < 0.3, 16383, dice.choice([0, 100, 8000, 16000], n))
    speeds = np.where(dice.random(n) < 0.3, -32768, dice.choice([0, 30, 3000, -3000], n))
    rows = [
        (
            int(time_ns),
            0x10,
            0,
            int(count).to_bytes(2, "little") + int(speed).to_bytes(2, "little", signed=True),
        )
        for time_ns, count, speed in zip(
            10**18 + np.cumsum(dice.choice([1_000_000, 20_000_000, 300_000_000], n)),
            counts,
            speeds,
            strict=True,
        )
    ]
    bench = bench_from_texts(BENCH, {"l": f'format = 1\nname = "l"\n{BESIDE}'}, where="bench.toml")
    frames = FrameBatch.from_rows(rows)
    whole = _pieces(bench, frames, [0, n])
    pieces = _pieces(bench, frames, [0, *sorted(cuts), n])
    for name, values in whole.items():
        np.testing.assert_array_equal(values, pieces[name], err_msg=name)
