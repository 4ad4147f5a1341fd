"""Frames become signals: kinds, what is known taken out, numbers read."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.checksum import ChecksumFamily, FoundChecksum, compute_checksum
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.signals import (
    extensions_of,
    find_kinds,
    find_signals,
    split_kinds,
)
from logger.layout_finder.traffic import FrameGroup, Marks
from tests.logger.layout_finder.moved_joint import write_frames

COUNT = 1200
MARKS = Marks(rest=(0.0, 2.0), turn=(2.0, 12.0))


def _kind(payload: np.ndarray):
    (kind,) = split_kinds(FrameGroup(1, False, np.arange(len(payload)) / 100.0, payload), None)  # noqa: FBT003
    return kind


def test_a_sign_bit_above_bits_that_never_changed():
    """Sign and magnitude of twelve bits, of which the magnitude uses eight."""
    speed = np.round(200 * np.sin(np.arange(COUNT) / 70)).astype(int)
    speed += np.round(np.random.default_rng(1).normal(0, 2, COUNT)).astype(int)
    raw = np.abs(speed) | (speed < 0).astype(int) << 11
    for order in ("little", "big"):
        field = BitField(4, 12, order)
        (signal,) = find_signals(_kind(write_frames({field: raw}, COUNT, 2)), 0, MARKS)
        assert (signal.field, signal.form) == (field, NumberForm.SIGN_MAGNITUDE)
        assert signal.value.tolist() == speed.tolist()


def test_what_is_known_is_no_signal():
    """The counter of a frame is told, and is no value."""
    way = np.round(np.cumsum(np.random.default_rng(2).normal(3, 2, COUNT))).astype(int) & 0xFFF
    frames = write_frames({BitField(0, 12): way, BitField(16, 4): np.arange(COUNT) & 15}, COUNT, 3)
    kind = _kind(frames)
    assert [counter.field for counter in kind.counters] == [BitField(16, 4)]
    assert [signal.field for signal in find_signals(kind, 0, MARKS)] == [BitField(0, 12)]
    few = FrameGroup(1, False, np.arange(20) / 100.0, frames[:20])  # noqa: FBT003
    assert find_signals(split_kinds(few, None)[0], 0, MARKS) == ()


def test_bits_above_up_to_the_ends_of_bytes():
    """Over bits that never changed, in both orders; not over those of another."""
    payload = np.zeros((50, 3), dtype=np.uint8)
    payload[:, 1] = 0x20 + np.arange(50) % 8
    seen = BitField(8, 3)
    little = [BitField(8, bits) for bits in (4, 8, 10, 12, 16)]
    big = [BitField(16 - bits, bits, "big") for bits in (10, 12, 16)]
    assert extensions_of(payload, seen, frozenset()) == (seen, *little, *big)
    taken = frozenset(range(16, 24))
    assert extensions_of(payload, seen, taken) == (seen, *little[:2], *big)
    assert extensions_of(payload, seen, frozenset({11})) == (seen,)


def test_a_checksum_is_known_by_other_frames():
    """Frames that hardly change have the sum that fast ones have, at their own end."""
    fast = np.random.default_rng(4).integers(0, 256, (400, 8)).astype(np.uint8)
    fast[:, 7] = (fast[:, :7].sum(axis=1) + 0x5A) & 0xFF
    slow = np.zeros((200, 5), dtype=np.uint8)
    slow[:, 1] = 40 + np.arange(200) // 70
    slow[:, 4] = (slow[:, :4].sum(axis=1) + 0x5A) & 0xFF
    groups = [
        FrameGroup(number, False, np.arange(len(rows)) / 100.0, rows)  # noqa: FBT003
        for number, rows in enumerate((fast, slow))
    ]
    first, second = (kind.checksum for kind in find_kinds(groups))
    assert first is not None
    assert second is not None
    assert (first.byte, second.byte, second.family) == (7, 4, first.family)
    assert [kind.checksum for kind in find_kinds(groups[1:])] == [None]


def _two_kinds(*, second_byte: int, family: ChecksumFamily) -> np.ndarray:
    """Frames of two kinds in turn, byte 0 tells which; the checksum is the last byte or another."""
    noise = np.random.default_rng(8)
    frames = np.zeros((COUNT, 8), dtype=np.uint8)
    frames[::2, 0] = 3
    frames[1::2, 0] = 9
    course = np.round(20000 + 9000 * np.sin(np.arange(COUNT) / 90) + noise.normal(0, 9, COUNT))
    frames[::2, 1:3] = course.astype("<u2").view(np.uint8).reshape(-1, 2)[::2]
    frames[1::2, 4] = 60 + np.arange(COUNT // 2) // 40
    frames[1::2, 5] = 128 + noise.integers(-20, 20, COUNT // 2)
    for rows, byte in ((slice(None, None, 2), 7), (slice(1, None, 2), second_byte)):
        way = FoundChecksum(byte, family, 0x1D, 0, 0, 0x6D, 0, 1.0, 0.0)
        frames[rows, byte] = compute_checksum(frames[rows], way)
    return frames


@pytest.mark.parametrize("family", [ChecksumFamily.CRC8, ChecksumFamily.XOR])
def test_kinds_of_one_identifier_have_their_checksums_at_bytes_of_their_own(family):
    """Of a XOR each byte follows from the others, but none that stands still while others move."""
    frames = _two_kinds(second_byte=3, family=family)
    kinds = find_kinds([FrameGroup(1, False, np.arange(COUNT) / 100.0, frames)])  # noqa: FBT003
    assert [kind.multiplexer_value for kind in kinds] == [3, 9]
    assert [kind.checksum and kind.checksum.byte for kind in kinds] == [7, 3]
    assert all(kind.checksum.field.little_columns <= kind.known_columns for kind in kinds)


def test_a_byte_that_stands_still_in_one_kind_is_no_checksum():
    """Byte 2 is easier to do without than the XOR, but in the kind whose byte 2 never changes."""
    noise = np.random.default_rng(5)
    frames = np.zeros((COUNT, 6), dtype=np.uint8)
    frames[::2, 0], frames[1::2, 0] = 20, 21
    frames[::2, 5] = noise.integers(0, 256, COUNT // 2)
    frames[1::2, 1] = np.arange(COUNT // 2) // 30
    frames[1::2, 4] = 100 + noise.integers(0, 3, COUNT // 2)
    frames[:, 2] = np.bitwise_xor.reduce(frames, axis=1) ^ 0x21
    (first, second) = find_kinds([FrameGroup(1, False, np.arange(COUNT) / 100.0, frames)])  # noqa: FBT003
    assert first.checksum is not None
    assert second.checksum is not None
    assert (first.checksum.byte, second.checksum.byte) == (2, 2)


def test_a_value_may_end_right_below_what_is_known():
    """Ten bits moved, three above stood still, and the next three tell kinds apart."""
    frames = write_frames({BitField(0, 10): np.arange(COUNT) & 0x3FF}, COUNT, 2)
    field = BitField(0, 10)
    lengths = {one.length for one in extensions_of(frames, field, frozenset({13, 14, 15}))}
    assert lengths == {10, 12, 13}
    assert {one.length for one in extensions_of(frames, field, frozenset())} == {10, 12, 16}
