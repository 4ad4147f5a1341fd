"""Fields of bits, held against layouts' own drawing of places."""

import numpy as np
import pytest

from logger.joint.bench.value import BitPosition
from logger.layout_finder.bits import (
    BitField,
    as_signed,
    bit_columns,
    read_field,
    toggle_counts,
    unwrap_field,
)


@pytest.mark.parametrize("order", ["little", "big"])
def test_a_field_has_the_places_that_a_layout_gives_it(order):
    """byte, bit, length and order mean what they mean in a layout file."""
    for first, length in ((0, 8), (3, 12), (12, 5), (7, 2)):
        field = BitField(first, length, order)
        position = BitPosition(byte=field.byte, bit=field.bit, bits=length, order=order)
        assert field.bit_places == position.bit_places
        assert len(field.little_columns) == length


def test_fields_are_read_in_both_orders():
    """0x1234 high byte first and low byte first; twelve bits across a border of bytes."""
    payload = np.array([[0x12, 0x34, 0xA5]], dtype=np.uint8)
    assert read_field(payload, BitField(0, 16, "big"))[0] == 0x1234
    assert read_field(payload, BitField(0, 16, "little"))[0] == 0x3412
    assert read_field(payload, BitField(4, 12, "big"))[0] == 0x234
    assert read_field(payload, BitField(12, 12, "little"))[0] == 0xA53
    assert bit_columns(payload[:, :1], "big")[0].tolist() == [0, 0, 0, 1, 0, 0, 1, 0]


def test_flips_are_counted_per_bit():
    """A byte that counts to four toggles its lowest bit at each step."""
    payload = np.arange(5, dtype=np.uint8)[:, None]
    assert toggle_counts(payload)[:3].tolist() == [4, 2, 1]


def test_twos_complement():
    """The highest bit counts negative."""
    assert as_signed(np.array([0, 7, 8, 15]), 4).tolist() == [0, 7, -8, -1]


def test_a_wrapping_value_goes_on():
    """Over three turns the value neither jumps nor loses its start, also at 0.7 turns a frame."""
    for step in (10, 700):
        speed = np.minimum(np.arange(60) * step // 6, step)
        true = np.cumsum(speed) + 5
        assert unwrap_field(true % 1000, 1000) == pytest.approx(true)
