"""The table of a CRC-8, held against a division bit by bit."""

import numpy as np
import pytest

from logger.crc8 import REVERSED_BITS, make_crc8_table


def _remainder(byte: int, polynomial: int) -> int:
    """Return that of a byte and eight zero bits, divided by a polynomial with its highest term."""
    number = byte << 8
    for bit in range(15, 7, -1):
        if number >> bit & 1:
            number ^= (polynomial | 0x100) << (bit - 8)
    return number


@pytest.mark.parametrize("polynomial", [0x01, 0x07, 0x1D, 0x9B, 0xFF])
def test_a_table_holds_the_remainders(polynomial: int):
    """Reflected, the same of bytes and remainders whose lowest bit comes first."""
    plain = [_remainder(byte, polynomial) for byte in range(256)]
    assert make_crc8_table(polynomial, reflected=False).tolist() == plain
    mirrored = [int(REVERSED_BITS[plain[REVERSED_BITS[byte]]]) for byte in range(256)]
    assert make_crc8_table(polynomial, reflected=True).tolist() == mirrored


def test_bits_are_reversed():
    """Twice, each byte is itself again."""
    assert REVERSED_BITS[[0x01, 0xD0, 0xFF]].tolist() == [0x80, 0x0B, 0xFF]
    assert (REVERSED_BITS[REVERSED_BITS] == np.arange(256)).all()
