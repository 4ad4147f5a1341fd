"""The table of a CRC-8: what a byte of state becomes when one more byte is taken in. Pure.

See R. N. Williams, "A painless guide to CRC error detection algorithms" (1993), sections 9 to 12.
"""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["REVERSED_BITS", "make_crc8_table"]

REVERSED_BITS: Final = np.array([int(f"{byte:08b}"[::-1], 2) for byte in range(256)], np.uint8)
"""Each byte with its lowest bit first, uint8[256]."""


@cache
def make_crc8_table(polynomial: int, reflected: bool) -> NDArray[np.uint8]:  # noqa: FBT001 - cached
    """Return uint8[256].

    Parameters
    ----------
    polynomial
        Without its highest term, the highest bit first also where the CRC is reflected.
    reflected
        Whether the lowest bit of each byte is taken in first.
    """
    table = np.arange(256, dtype=np.uint8)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1) ^ np.uint8(polynomial), table << 1)
    return REVERSED_BITS[table[REVERSED_BITS]] if reflected else table
