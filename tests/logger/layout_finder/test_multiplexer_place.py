"""Which of the fields that part the frames alike is the likeliest to tell the kinds apart."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.multiplexer_place import strangeness

STILL = np.zeros((2, 8), dtype=np.uint8)


def _moving(*bytes_of_kinds: dict[int, int]) -> np.ndarray:
    moving = np.zeros((len(bytes_of_kinds), 8), dtype=np.uint8)
    for kind, bits in enumerate(bytes_of_kinds):
        for byte, mask in bits.items():
            moving[kind, byte] = mask
    return moving


@pytest.mark.parametrize(
    ("likely", "unlikely"),
    [
        # The first byte; a whole byte; three in a row.
        ((BitField(0, 8), (1, 2)), (BitField(40, 8), (1, 2))),
        ((BitField(40, 8), (1, 2)), (BitField(44, 4), (1, 2))),
        ((BitField(44, 4), (1, 2)), (BitField(44, 2), (1, 2))),
        ((BitField(0, 8), (48, 49, 50)), (BitField(24, 8), (40, 100, 160))),
        # Nothing in one kind and some constant in the other is what unused bytes look like.
        ((BitField(16, 8), (2, 3)), (BitField(8, 8), (0, 64))),
    ],
)
def test_the_customary_is_likelier(likely: tuple, unlikely: tuple):
    """Of two fields in frames in which nothing else moves."""
    moving = np.zeros((len(likely[1]), 8), dtype=np.uint8)
    assert strangeness(*likely, moving) < strangeness(*unlikely, moving)


def test_still_bits_above_a_slow_value_are_its_upper_bits():
    """In both orders of bytes; but not above a value that fills its bits, or above a counter."""
    field, values = BitField(16, 8), (4, 9)
    alone = strangeness(field, values, STILL)
    for byte in (1, 3):
        assert strangeness(field, values, _moving({byte: 0x07}, {})) > alone
        assert strangeness(field, values, _moving({byte: 0xFF}, {})) == pytest.approx(alone)
    counter = frozenset(range(8, 16))
    assert strangeness(field, values, _moving({1: 0x07}, {}), counter) == pytest.approx(alone)


def test_half_a_byte_with_a_counter_is_customary():
    """Also where the counter does not fill its half; beside a value it is not."""
    field, values = BitField(4, 4), (3, 4)
    moving = _moving({0: 0x07}, {0: 0x07})
    assert strangeness(field, values, moving, frozenset(range(3))) < strangeness(
        field, values, STILL
    )
    assert strangeness(field, values, moving) > strangeness(field, values, STILL)
