"""All joints at once come to what each comes to by itself, and cost little more than one."""

import sys
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from types import FrameType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import (
    Decoded,
    DecodePlan,
    DecodeState,
    decode,
    decode_plan,
    settled_state,
)
from tests.support.depth import examples

S, MS = 1_000_000_000, 1_000_000
START_NS = 1_795_000_000 * S
MOTION = """
format = 1
name = "with"
[[frame]]
name = "motion"
identifier = "0x10 + node"
begins = "41"
length = 6
period_s = 0.01
[[frame.value]]
channel = "position_rad"
byte = 1
bits = 14
side = "motor"
encoder = { counts = 16384 }
no_value = [16383]
[[frame.value]]
channel = "speed_rad_s"
byte = 3
bits = 16
order = "big"
signed = true
unit = "rpm"
side = "motor"
no_value = [-32768]
[[frame.value]]
channel = "fault_code"
byte = 5
bits = 8
"""
SETPOINT = """
[[frame]]
name = "set-point"
identifier = "0x10 + node"
begins = "53"
length = 5
period_s = 0.05
[[frame.value]]
channel = "position_setpoint_rad"
byte = 1
bits = 32
signed = true
scale = 1e-6
"""
BOOT = """
[[frame]]
name = "boot"
identifier = "0x10 + node"
begins = "42"
length = 2
[[frame.part]]
name = "state"
byte = 1
bits = 8
restart = 0
"""


def _bench(layouts: Sequence[str], *, reversed_: bool = False) -> Bench:
    joints = "".join(
        f'[[joint]]\nname = "joint-{node}"\nlayout = "{layout}"\nnode = {node}\n'
        f"gear_ratio = {5.0 + node}\nreversed = {str(reversed_ and node % 2 == 0).lower()}\n"
        "zero_rad = 0.25\n"
        for node, layout in enumerate(layouts)
    )
    texts = {
        "with": MOTION + SETPOINT + BOOT,
        "without": MOTION.replace('"with"', '"without"'),
    }
    return bench_from_texts(
        f'[bus]\ninterface = "virtual"\n{joints}',
        {name: texts[name] for name in set(layouts)},
        where="bench.toml",
    )


def _frames(seed: int, joints: int, n: int) -> FrameBatch:
    """Return frames of joints that move, rest, fall silent, jump, restart, leave out values."""
    dice = np.random.default_rng(seed)
    rows: list[tuple[int, int, int, bytes]] = []
    quiet = dice.random() < 0.5
    for node in range(joints):
        at_ns = START_NS + int(dice.integers(0, 10 * MS))
        count, speed_rpm, target = int(dice.integers(0, 16384)), 0, 0
        for number in range(n // joints):
            at_ns += 10 * MS + int(dice.integers(0, 100_000))
            if dice.random() < 0.03:
                speed_rpm = int(dice.choice([0, 0, 40, -300, 900]))
                target += 1
            if not quiet and dice.random() < 0.01:
                at_ns += int(dice.choice([100, 300, 3000])) * MS
            if not quiet and dice.random() < 0.01:
                speed_rpm = int(dice.choice([8000, -8000]))
            count = (count + round(speed_rpm / 60 * 16384 * 0.01)) % 16383
            told = count if quiet or dice.random() < 0.99 else 16383
            speed = speed_rpm if quiet or dice.random() < 0.99 else -32768
            fault = 0 if dice.random() < 0.995 else int(dice.integers(0, 3))
            payload = b"\x41" + told.to_bytes(2, "little") + speed.to_bytes(2, "big", signed=True)
            rows.append((at_ns, 0x10 + node, 0, payload + bytes([fault])))
            if number % 5 == 0:
                setpoint = b"\x53" + (target * 300_000).to_bytes(4, "little", signed=True)
                rows.append((at_ns + MS, 0x10 + node, 0, setpoint))
            if not quiet and dice.random() < 0.005:
                rows.append((at_ns + 2 * MS, 0x10 + node, 0, b"\x42\x00"))
    return FrameBatch.from_rows(sorted(rows))


def _decode(
    plan: DecodePlan, frames: FrameBatch, edges: Sequence[int]
) -> tuple[list[Decoded], DecodeState]:
    state, batches = DecodeState(), []
    for first, end in pairwise(edges):
        decoded, state = decode(plan, state, frames.select_rows(slice(first, end)))
        batches.append(decoded)
    return batches, state


@settings(max_examples=examples(60))
@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.sampled_from(["with", "without"]), min_size=1, max_size=4),
    st.lists(st.integers(0, 800), max_size=12),
    st.booleans(),
)
def test_together_is_one_by_one(
    seed: int,
    layouts: list[str],
    cuts: list[int],
    reversed_: bool,  # noqa: FBT001 - drawn
):
    """Readings, segments, notices, anchors and states are the same to the last bit."""
    plan = decode_plan(_bench(layouts, reversed_=reversed_))
    assert plan.turn_groups
    frames = _frames(seed, len(layouts), 800)
    edges = [0, *sorted(min(cut, len(frames)) for cut in cuts), len(frames)]
    together, state = _decode(plan, frames, edges)
    apart, state_apart = _decode(replace(plan, turn_groups=()), frames, edges)
    assert repr(settled_state(plan, state)) == repr(state_apart)
    for one, other in zip(together, apart, strict=True):
        assert one.notices == other.notices
        assert one.anchors == other.anchors
        assert one.out_of_range == other.out_of_range
        for mine, theirs in zip(one.readings, other.readings, strict=True):
            np.testing.assert_array_equal(mine.position_segment, theirs.position_segment)
            for channel, values in mine.columns.items():
                assert values.tobytes() == theirs.columns[channel].tobytes(), channel


def test_a_steady_batch_goes_together():
    """What the test above compares is not one way twice: joints that only move take the other."""
    plan = decode_plan(_bench(["with"] * 6))
    frames = _moving(6, 240)
    _, state = decode(plan, DecodeState(), frames.select_rows(slice(0, 120)))
    later = frames.select_rows(slice(120, 240))
    assert _calls(plan, state, later) < 0.8 * _calls(replace(plan, turn_groups=()), state, later)


def test_counts_are_held_but_never_many():
    """In any batches the same is remembered, and what is held for it is bounded."""
    plan = decode_plan(_bench(["with"] * 2))
    frames = _frames(7, 2, 1600)
    _, whole = _decode(plan, frames, [0, len(frames)])
    assert all(joint.memory.setpoint_ns > START_NS for joint in whole.joints.values())
    state, most = DecodeState(), 0
    for first in range(0, len(frames), 3):
        _, state = decode(plan, state, frames.select_rows(slice(first, first + 3)))
        most = max(most, *(len(joint.held) for joint in state.joints.values()))
    for name, joint in settled_state(plan, state).joints.items():
        assert repr(joint.memory) == repr(whole.joints[name].memory)
    assert 10 < most < 70
    assert not any(joint.held for joint in whole.joints.values()), "of a long batch none are"


def _moving(joints: int, n: int) -> FrameBatch:
    """Return n frames of joints that report one after the other, every 10 ms."""
    return FrameBatch.from_rows(
        [
            (
                START_NS + 10 * MS * (number // joints) + number,
                0x10 + number % joints,
                0,
                b"\x41" + (number // joints * 40).to_bytes(2, "little") + b"\x00\x0f\x00",
            )
            for number in range(n)
        ]
    )


def _calls(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> int:
    """Return how many functions a batch calls, those in C included: it depends on no load."""
    count = 0

    def note(_frame: FrameType, event: str, _what: object) -> None:
        nonlocal count
        count += event in {"call", "c_call"}

    sys.setprofile(note)
    try:
        decode(plan, state, frames)
    finally:
        sys.setprofile(None)
    return count


@pytest.mark.parametrize("quiet", [True, False], ids=["silent joints", "all report"])
def test_another_joint_costs_little(quiet: bool):  # noqa: FBT001 - a parameter of the test
    """A batch of as many frames of eight joints calls no more than 3.5 times what one's does."""
    calls = {}
    for joints in (1, 8):
        plan = decode_plan(_bench(["with"] * joints))
        frames = _moving(1 if quiet else joints, 160)
        _, state = decode(plan, DecodeState(), frames.select_rows(slice(0, 80)))
        calls[joints] = _calls(plan, state, frames.select_rows(slice(80, 160)))
    assert calls[8] < 3.5 * calls[1], calls
