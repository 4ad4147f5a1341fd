"""One value at any position of a payload: whole numbers, and floats by their bits. Pure."""

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.joint.bench.value import BitPosition

__all__ = ["floats_of_bits", "raw_values"]


def floats_of_bits(raw: NDArray[np.int64], bits: int) -> Floats:
    """Return raw bits as IEEE 754 numbers (binary16, 32 or 64)."""
    raw_words = raw.view(np.uint64)
    if bits == 64:
        return raw_words.view(np.float64)
    narrow = (
        raw_words.astype(np.uint32).view(np.float32)
        if bits == 32
        else raw_words.astype(np.uint16).view(np.float16)
    )
    # A signalling NaN (IEEE 754-2008, 6.2) is quieted by the conversion, which warns of it.
    with np.errstate(invalid="ignore"):
        return narrow.astype(np.float64)


def raw_values(data: NDArray[np.uint8], value: BitPosition) -> NDArray[np.int64]:
    """Return the raw integers of one value, at any position in the payload.

    Parameters
    ----------
    data
        uint8, shape (n, width): payloads that are long enough.
    value
        Its position.

    Returns
    -------
    int64, shape (n,)
        Unsigned values above 2**63 - 1 wrap; 64 unsigned bits are the only case.
    """
    if value.order == "little":
        lead, shift = value.byte, value.first_bit
        count = (shift + value.bits + 7) // 8
        raw = np.zeros(len(data), np.uint64)
        for index in range(min(count, 8)):
            raw |= data[:, lead + index].astype(np.uint64) << np.uint64(8 * index)
        raw >>= np.uint64(shift)
        if count == 9:
            raw |= data[:, lead + 8].astype(np.uint64) << np.uint64(64 - shift)
    else:
        bits_above = 7 - value.first_bit
        count = (bits_above + value.bits + 7) // 8
        shift = count * 8 - bits_above - value.bits
        raw = np.zeros(len(data), np.uint64)
        for index in range(min(count, 8)):
            raw = (raw << np.uint64(8)) | data[:, value.byte + index]
        if count == 9:
            raw = (raw << np.uint64(8 - shift)) | (
                data[:, value.byte + 8].astype(np.uint64) >> np.uint64(shift)
            )
        else:
            raw >>= np.uint64(shift)
    if value.bits < 64:
        raw &= np.uint64((1 << value.bits) - 1)
        if value.signed:
            sign = np.uint64(1 << (value.bits - 1))
            raw = (raw ^ sign) - sign
    return raw.view(np.int64)
