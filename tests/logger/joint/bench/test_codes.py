"""Codes in words: masks, flags, and where a code begins to mean another."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.codes import code_table
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.joint.decode.text_codes import Notice

BENCH = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n'
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "status"
identifier = 0x10
length = 4
  [[frame.value]]
  channel = "fault_code"
  byte = 0
  bits = 8
  flags = { 0 = "over-temperature", 2 = "encoder" }
  [[frame.value]]
  channel = "state_code"
  byte = 1
  bits = 8
  names = { "0x07/0x0F" = "moving", 1 = "resting" }
  flags = { 7 = "warning" }
  [[frame.value]]
  channel = "position_rad"
  byte = 2
  bits = 16
[[frame]]
name = "emergency"
identifier = 0x11
length = 3
tells = "each"
event = "fault"
  [[frame.part]]
  name = "code"
  bits = 16
  names = { "0x4000/0xF000" = "temperature", 0 = "gone" }
  [[frame.part]]
  name = "register"
  byte = 2
  bits = 8
  flags = { 3 = "temperature" }
[[frame]]
name = "alive"
identifier = 0x12
length = 1
  [[frame.part]]
  name = "is"
  bits = 8
  names = { 0 = "switched on", 5 = "working" }
  restart = 0
"""


def _told(frames: list[tuple[int, int, bytes]]) -> tuple[list[Notice], list[int]]:
    batch = FrameBatch.from_rows([(time, number, 0, data) for time, number, data in frames])
    decoded, _ = decode(
        decode_plan(bench_from_texts(BENCH, {"l": LAYOUT}, where="bench.toml")),
        DecodeState(),
        batch,
    )
    return list(decoded.notices), decoded.readings[0].position_segment.tolist()


def _status(fault: int, state: int) -> bytes:
    return bytes([fault, state, 0, 0])


def test_a_fault_is_told_by_name_once_and_when_it_goes():
    """Every frame repeats the code; it is told where it changes, an unnamed bit by its number."""
    notices, _ = _told(
        [(at, 0x10, _status(fault, 1)) for at, fault in enumerate([0, 1, 1, 5, 13, 0, 0])]
    )
    assert [(one.time_ns, one.text) for one in notices if one.kind == "fault"] == [
        (1, "a: fault over-temperature (0x01)."),
        (3, "a: fault over-temperature, encoder (0x05)."),
        (4, "a: fault over-temperature, encoder, bit 3 (0x0D)."),
        (5, "a: no fault any more."),
    ]


def test_a_state_is_told_where_its_meaning_changes():
    """Bits outside mask and flags change nothing; a code that fits no name is "unknown"."""
    codes = [0x07, 0x37, 0x87, 1, 2]
    notices, _ = _told([(at, 0x10, _status(0, code)) for at, code in enumerate(codes)])
    assert [(one.time_ns, one.text) for one in notices] == [
        (0, "a: drive state moving (0x07)."),
        (2, "a: drive state moving, warning (0x87)."),
        (3, "a: drive state resting (0x01)."),
        (4, "a: drive state unknown (0x02)."),
    ]


def test_a_message_is_told_each_time():
    """An emergency is told with each frame, all its parts in words."""
    notices, _ = _told(
        [(1, 0x11, b"\x10\x42\x08"), (2, 0x11, b"\x10\x42\x08"), (3, 0x11, bytes(3))]
    )
    assert [one.text for one in notices] == [
        "a: emergency: code temperature (0x4210), register temperature (0x08).",
        "a: emergency: code temperature (0x4210), register temperature (0x08).",
        "a: emergency: code gone (0x0000), register 0x00.",
    ]
    assert {one.kind for one in notices} == {"fault"}


def test_switched_on_again_begins_a_segment():
    """After the joint says that it was switched on, its position is another stretch."""
    frames = [
        (1, 0x10, _status(0, 1)),
        (2, 0x12, b"\x05"),
        (3, 0x10, _status(0, 1)),
        (4, 0x12, b"\x00"),
        (5, 0x10, _status(0, 1)),
    ]
    notices, segments = _told(frames)
    assert segments == [0, -1, 0, -1, 1]
    assert [one.text for one in notices if "alive" in one.text] == [
        "a: alive: is working (0x05).",
        "a: alive: is switched on (0x00).",
    ]


@given(
    codes=st.lists(
        st.tuples(st.sampled_from([0x10, 0x11, 0x12]), st.integers(0, 255)), max_size=40
    ),
    cuts=st.lists(st.integers(0, 40), max_size=4),
)
def test_any_chunking_tells_the_same(codes: list[tuple[int, int]], cuts: list[int]):
    """Streaming = batch, notices and segments both."""
    rows = [
        (at, number, 0, bytes([code, code // 3, code, 0]))
        for at, (number, code) in enumerate(codes)
    ]
    plan = decode_plan(bench_from_texts(BENCH, {"l": LAYOUT}, where="bench.toml"))
    whole, _ = decode(plan, DecodeState(), FrameBatch.from_rows(rows))
    state = DecodeState()
    notices: list[Notice] = []
    segments: list[int] = []
    edges = sorted({0, len(rows), *(cut for cut in cuts if cut <= len(rows))})
    for start, end in itertools.pairwise(edges):
        some, state = decode(plan, state, FrameBatch.from_rows(rows[start:end]))
        notices += some.notices
        segments += some.readings[0].position_segment.tolist()
    assert notices == list(whole.notices)
    assert segments == whole.readings[0].position_segment.tolist()


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_without_names_a_code_means_itself(bits: int):
    """Nothing is known of it: it is shown in hex, as wide as it is."""
    codes = code_table({}, {}, bits=bits)
    assert codes.label(10) == f"0x{10:0{bits // 4}X}"
    assert codes.meaning_numbers(np.array([1, 2])).tolist() == [1, 2]
