"""Borders of fields, in both orders of bits, on frames whose fields are known."""

import numpy as np

from logger.layout_finder.bits import BitField, join_pieces
from logger.layout_finder.borders import find_fields, pick_windows
from tests.logger.layout_finder.moved_joint import write_frames

COUNT = 1500


def _values() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return a position that wraps, a noisy speed about zero, a temperature, a flag."""
    noise = np.random.default_rng(8)
    way = np.concatenate([np.zeros(300), np.linspace(0, 90000, 500), np.full(700, 90000.0)])
    position = (way + 777 + noise.normal(0, 1.5, COUNT)).astype(int)
    speed = (400 * np.sin(np.arange(COUNT) / 90) + noise.normal(0, 5, COUNT)).astype(int)
    temperature = 59 + np.arange(COUNT) // 140
    flag = (np.arange(COUNT) // 400) & 1
    return position, speed, temperature, flag


def _found(payload: np.ndarray) -> dict[BitField, float]:
    windows = pick_windows(payload, (slice(0, 300), slice(300, 800), slice(800, COUNT)))
    return {one.field: one.margin_bits for one in find_fields(payload, windows)}


def test_fields_of_one_order():
    """Sixteen bits that wrap, twelve about zero, a temperature, a flag: each order alike."""
    position, speed, temperature, flag = _values()
    for order in ("little", "big"):
        field_position = BitField(8, 16, order)
        field_speed = BitField(28, 12, order)
        payload = write_frames(
            {
                field_position: position & 0xFFFF,
                field_speed: speed & 0xFFF,
                BitField(48, 8): temperature,
                BitField(2, 1): flag,
            },
            COUNT,
            8,
        )
        found = _found(payload)
        assert field_position in found
        assert field_speed in found
        assert BitField(2, 1) in found
        # The highest bit of the temperature never changed: where it ends is not seen.
        assert BitField(48, 7) in found
        assert found[field_position] > 20
        assert min(found.values()) > 0


def test_the_order_may_change_between_bytes():
    """A position low byte first beside a speed high byte first."""
    position, speed, *_ = _values()
    fields = {BitField(0, 16, "little"): position & 0xFFFF, BitField(16, 16, "big"): speed & 0xFFFF}
    payload = write_frames(fields, COUNT, 4)
    windows = pick_windows(payload, (slice(0, COUNT),))
    found = find_fields(payload, windows)
    assert {one.field for one in found} == set(fields)
    assert min(one.order_margin_bits for one in found) > 50


def test_what_is_known_is_left_out():
    """Columns of a counter are in no field."""
    position, *_ = _values()
    payload = write_frames(
        {BitField(0, 16): position & 0xFFFF, BitField(16, 8): position & 3}, COUNT, 3
    )
    windows = pick_windows(payload, (slice(0, COUNT),))
    found = find_fields(payload, windows, frozenset(range(16, 24)))
    assert [one.field for one in found] == [BitField(0, 16)]


def test_too_few_frames_and_nothing_that_changes():
    """No window, no field; nothing that changed, no field."""
    assert find_fields(np.zeros((5, 8), dtype=np.uint8), pick_windows(np.zeros((5, 8)), ())) == ()
    still = np.zeros((100, 8), dtype=np.uint8)
    assert find_fields(still, pick_windows(still, (slice(0, 100),))) == ()


def test_a_slow_rate_does_not_cut_off_low_bits():
    """Ten frames a second of an even swing: only third differences are small."""
    time_s = np.arange(0.0, 150.0, 0.1)
    noise = np.random.default_rng(3).normal(0, 1.0, len(time_s))
    swing = (20000 * np.sin(time_s * 1.5) + 30000 + noise).astype(int)
    assert list(_found(write_frames({BitField(0, 16): swing}, len(time_s), 2))) == [BitField(0, 16)]


def test_the_noise_of_a_value_is_its_own():
    """Six lowest bits that are pure noise go with the value above, not with one that is still."""
    random = np.random.default_rng(12)
    current = (3000 * np.sin(np.arange(COUNT) / 200) + random.normal(0, 45, COUNT)).astype(int)
    for order in ("little", "big"):
        field = BitField(16, 16, order)
        payload = write_frames({field: current & 0xFFFF}, COUNT, 5)
        assert set(_found(payload)) == {field}
    beside = {
        BitField(0, 6): random.integers(0, 64, COUNT),
        BitField(6, 2): np.arange(COUNT) // 500,
    }
    assert BitField(0, 6) in _found(write_frames(beside, COUNT, 2))


def test_a_count_that_starts_again_early_is_one_field():
    """An encoder of 3600 counts in twelve bits."""
    random = np.random.default_rng(13)
    way = np.cumsum(random.normal(60, 8, COUNT)).astype(int) % 3600
    field = BitField(4, 12)
    assert set(_found(write_frames({field: way}, COUNT, 3))) == {field}


def test_a_value_that_hesitates_between_two_numbers_is_one_field():
    """127 and 128: all eight bits flip at once, and none of them is a flag."""
    random = np.random.default_rng(14)
    slow = np.round(127.5 + 0.1 * random.normal(0, 1, COUNT)).astype(int)
    field = BitField(8, 8)
    assert set(_found(write_frames({field: slow}, COUNT, 3))) == {field}


def test_a_number_in_two_pieces_is_one():
    """The upper bits of a position and of a speed lie apart from their lower ones."""
    position, speed, temperature, flag = _values()
    fields = {
        join_pieces(BitField(0, 12), BitField(36, 4)): position & 0xFFFF,
        join_pieces(BitField(16, 8), BitField(44, 4)): speed & 0xFFF,
        BitField(48, 8): temperature,
        BitField(30, 1): flag,
    }
    found = {one.bit_places for one in _found(write_frames(fields, COUNT, 8))}
    position_field, speed_field, *_ = fields
    assert position_field.bit_places in found
    assert speed_field.bit_places in found
    assert BitField(30, 1).bit_places in found
