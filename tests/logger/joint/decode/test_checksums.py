"""Checksums held against published ones, and what becomes of a frame that is damaged."""

import numpy as np
import pytest

from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.joint.bench.frame_checks import Checksum
from logger.joint.decode.checksums import compute_checksums
from logger.joint.decode.decode import DecodeState, decode, decode_plan, frame_kinds
from logger.joint.explain.explain import explain_frame
from logger.joint.explain.trial import run_trial
from logger.joint.explain.typed import parse_typed_frame
from tests.support.one_joint import one_joint_bench

CHECK_INPUT = b"123456789"

GUARDED = """
[[frame]]
name = "state"
identifier = 0x10
length = 4
checksum = { byte = 3, method = "crc8", polynomial = 0x1D, initial = 0xFF, final_xor = 0xFF }
[[frame.value]]
channel = "voltage_V"
byte = 0
bits = 16
scale = 0.01
"""


def _checksum(content: bytes, **keys: object) -> int:
    """Return that of some bytes which stand before it."""
    payload = np.frombuffer(content + b"\0", np.uint8)[None, :]
    settings = Checksum.model_validate({"byte": len(content), **keys})
    return int(compute_checksums(payload, settings, len(content) + 1)[0])


@pytest.mark.parametrize(
    ("keys", "check"),
    [
        # The check values of the widely published catalogue of CRC parameters (from memory).
        ({"polynomial": 0x07}, 0xF4),
        ({"polynomial": 0x07, "final_xor": 0x55}, 0xA1),
        ({"polynomial": 0x07, "initial": 0xFF, "reflected": True}, 0xD0),
        ({"polynomial": 0x1D, "initial": 0xFF, "final_xor": 0xFF}, 0x4B),
        ({"polynomial": 0x1D, "initial": 0xFF, "reflected": True}, 0x97),
        ({"polynomial": 0x1D, "initial": 0xFD}, 0x7E),
        ({"polynomial": 0x2F, "initial": 0xFF, "final_xor": 0xFF}, 0xDF),
        ({"polynomial": 0x31, "reflected": True}, 0xA1),
        ({"polynomial": 0x9B, "initial": 0xFF}, 0xDA),
        ({"polynomial": 0x9B, "reflected": True}, 0x25),
    ],
)
def test_a_crc_gives_its_published_check_value(keys: dict[str, object], check: int):
    """The checksum of the nine bytes "123456789"."""
    assert _checksum(CHECK_INPUT, method="crc8", **keys) == check


@pytest.mark.parametrize(
    ("content", "crc"),
    [
        ("00 00 00 00", 0x59),
        ("F2 01 83", 0x37),
        ("0F AA 00 55", 0x79),
        ("00 FF 55 11", 0xB8),
        ("33 22 55 AA BB CC DD EE FF", 0xCB),
        ("92 6B 55", 0x8C),
        ("FF FF FF FF", 0x74),
    ],
)
def test_worked_examples_of_a_road_vehicle_standard(content: str, crc: int):
    """CRC-8 of SAE J1850, examples as AUTOSAR's CRC library specification has them (memory)."""
    keys = {"polynomial": 0x1D, "initial": 0xFF, "final_xor": 0xFF}
    assert _checksum(bytes.fromhex(content), method="crc8", **keys) == crc


def test_sums():
    """XOR, the sum, and the two's complement with which all bytes add up to nothing."""
    content = bytes([0xF0, 0x21, 0x0F])
    assert _checksum(content, method="xor") == 0xDE
    assert _checksum(content, method="sum") == 0x20
    assert _checksum(content, method="sum", initial=0x05, final_xor=0xFF) == 0xDA
    negative = _checksum(content, method="negative-sum")
    assert (sum(content) + negative) & 0xFF == 0


def test_only_covered_bytes_count():
    """A byte before them, or beyond the frame of the layout, changes nothing."""
    settings = Checksum.model_validate({"byte": 0, "method": "sum", "covers": [2, 3]})
    payload = np.array([[0, 9, 1, 2, 7], [0, 8, 1, 2, 6]], np.uint8)
    assert compute_checksums(payload, settings, 4).tolist() == [3, 3]


def _frames(*payloads: str) -> FrameBatch:
    return FrameBatch.from_rows(
        [(10_000_000 * row, 0x10, 0, bytes.fromhex(text)) for row, text in enumerate(payloads)]
    )


def test_a_damaged_frame_is_counted_and_gives_no_reading():
    """One bit is wrong: no value of it is stored, and it is said which frame it was."""
    bench = one_joint_bench(GUARDED)
    whole = bytes([0x60, 0x09, 0x00])
    crc = _checksum(whole, method="crc8", polynomial=0x1D, initial=0xFF, final_xor=0xFF)
    good = f"{whole.hex()}{crc:02x}"
    damaged = f"61{good[2:]}"
    plan, frames = decode_plan(bench), _frames(good, damaged, good)
    decoded, _ = decode(plan, DecodeState(), frames)
    assert decoded.readings[0].columns["voltage_V"].tolist() == [24.0, 24.0]
    assert decoded.rejected == {"checksum wrong": 1}
    (faults,) = decoded.faults
    assert (faults.kind, faults.joint, faults.frame) == (EventKind.DAMAGED, "a", "state")
    assert (faults.time_ns.tolist(), faults.count.tolist()) == ([10_000_000], [1])
    assert frame_kinds(plan, frames)[0].tolist() == [0, -1, 0]
    trial = run_trial(bench, frames)
    assert [(one.reason, one.count) for one in trial.not_decoded] == [("checksum wrong", 1)]
    (explained,) = explain_frame(bench, parse_typed_frame("0x010", damaged))
    assert any(f"0x{crc:02X}" in remark for remark in explained.remarks if "Damaged" in remark)
    assert explained.readings["voltage_V"] == pytest.approx(24.01)
    assert explained.bytes[3].fields == ("checksum",)
