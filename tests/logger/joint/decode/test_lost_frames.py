"""Lost frames by the counters that frames carry, in batches of any size."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from tests.support.one_joint import one_joint_bench

MS = 1_000_000


def _layout(counter: str, period: str = "period_s = 0.01", more: str = "") -> str:
    return f"""
[[frame]]
name = "state"
identifier = 0x10
length = 3
{period}
counter = {{ {counter} }}
{more}
[[frame.value]]
channel = "voltage_V"
byte = 1
bits = 8
"""


EIGHT_BITS = _layout("byte = 0, bits = 8")
GUARDED = _layout("byte = 0, bits = 4", more='checksum = { byte = 2, method = "sum" }')


def _lost(layout: str, rows: list[tuple[int, bytes]], cuts: tuple[int, ...] = ()) -> list[tuple]:
    """Return (time, count) of what is lost; rows of (ms, payload), in batches cut at `cuts`."""
    plan, state = decode_plan(one_joint_bench(layout)), DecodeState()
    frames = FrameBatch.from_rows([(MS * ms, 0x10, 0, payload) for ms, payload in rows])
    found = []
    edges = [0, *sorted(cuts), len(frames)]
    for start, end in pairwise(edges):
        decoded, state = decode(plan, state, frames.select_rows(slice(start, end)))
        for faults in decoded.faults:
            if faults.kind == EventKind.SKIPPED:
                assert (faults.joint, faults.frame) == ("a", "state")
                found += list(
                    zip((faults.time_ns // MS).tolist(), faults.count.tolist(), strict=True)
                )
    return found


def _counted(numbers: list[int], period_ms: int = 10) -> list[tuple[int, bytes]]:
    return [(period_ms * row, bytes([number, 7, 0])) for row, number in enumerate(numbers)]


def test_what_is_missing_is_counted_across_its_end():
    """Also where the counter starts again; the first frame that came has nothing before it."""
    assert _lost(EIGHT_BITS, _counted([9, 10, 11])) == []
    assert _lost(EIGHT_BITS, _counted([9, 10, 13, 14])) == [(20, 2)]
    assert _lost(EIGHT_BITS, _counted([254, 255, 1])) == [(20, 1)]


@pytest.mark.parametrize(
    ("counter", "numbers", "lost"),
    [
        ("byte = 0, bits = 8, step = 5", [0, 5, 20, 25], [(20, 2)]),
        ("byte = 0, bits = 8, step = -1", [1, 0, 255, 252], [(30, 2)]),
        ("byte = 0, bits = 4, restarts_at = 10", [8, 9, 0, 2], [(30, 1)]),
        ("byte = 0, bit = 4, bits = 4", [0xE3, 0xF1, 0x08, 0x22], [(30, 1)]),
    ],
)
def test_counters_of_every_kind(counter: str, numbers: list[int], lost: list[tuple[int, int]]):
    """By another step, downwards, one that starts again early, one of some bits."""
    assert _lost(_layout(counter), _counted(numbers)) == lost


def test_what_is_no_loss():
    """A frame that came twice, a drive that was switched on again, a counter that was set anew."""
    assert _lost(EIGHT_BITS, _counted([5, 5, 6])) == []
    assert _lost(EIGHT_BITS, [(0, b"\x05\x07\0"), (1500, b"\x40\x07\0")]) == []
    assert _lost(EIGHT_BITS, [(0, b"\x05\x07\0"), (10, b"\x40\x07\0")]) == []
    unknown_pace = _layout("byte = 0, bits = 8", period="")
    assert _lost(unknown_pace, [(0, b"\x05\x07\0"), (10, b"\x40\x07\0")]) == [(10, 58)]


def _guarded(number: int, *, damaged: bool = False) -> bytes:
    return bytes([number % 16, 7, (number % 16 + 7 + damaged) & 0xFF])


def test_a_damaged_frame_is_not_missing():
    """It came, and is counted as damaged."""
    rows = [(10 * row, _guarded(row, damaged=row in {2, 3})) for row in range(6)]
    assert _lost(GUARDED, rows) == []
    del rows[4]
    assert _lost(GUARDED, rows) == [(50, 1)]


def test_one_counter_of_several_kinds():
    """It goes on with every frame of the identifier, whichever kind that is."""
    kinds = "".join(
        f"""
[[frame]]
name = "{name}"
identifier = 0x10
length = 3
match = [{{ byte = 1, bits = 8, equals = {kind} }}]
counter = {{ byte = 0, bits = 8, across_kinds = true }}
[[frame.value]]
channel = "{channel}"
byte = 2
bits = 8
"""
        for kind, (name, channel) in enumerate([("a", "voltage_V"), ("b", "current_A")])
    )
    plan = decode_plan(one_joint_bench(kinds))
    content = [(0, 0), (1, 0), (2, 1), (3, 0), (6, 1)]
    frames = FrameBatch.from_rows(
        [(10 * MS * row, 0x10, 0, bytes([*pair, 0])) for row, pair in enumerate(content)]
    )
    (faults,) = decode(plan, DecodeState(), frames)[0].faults
    assert (faults.frame, faults.count.tolist()) == ("b", [2])


@given(st.data())
def test_any_batches_find_the_same(data: st.DataObject):
    """Streaming = batch, with losses, damaged frames, repeated ones and silences."""
    kinds = data.draw(
        st.lists(st.sampled_from(["good", "lost", "damaged", "twice", "silent"]), max_size=40)
    )
    rows, ms = [], 0
    for number, kind in enumerate(kinds):
        ms += 1200 if kind == "silent" else 10
        if kind != "lost":
            rows.append((ms, _guarded(number, damaged=kind == "damaged")))
        if kind == "twice":
            rows.append((ms + 1, _guarded(number)))
    if not rows:
        return
    cuts = tuple(data.draw(st.lists(st.integers(0, len(rows)), max_size=5)))
    assert _lost(GUARDED, rows, cuts) == _lost(GUARDED, rows)


def test_every_loss_is_found_while_fewer_are_lost_than_it_counts():
    """Against the truth: 2,000 frames of which one in ten is lost at random, each seen once."""
    random = np.random.default_rng(5)
    kept = np.flatnonzero(random.random(2000) > 0.1)
    rows = [(10 * int(number), bytes([number % 256, 7, 0])) for number in kept]
    lost = sum(count for _, count in _lost(EIGHT_BITS, rows))
    assert lost == kept[-1] - kept[0] + 1 - len(kept)
