"""Bits to whole numbers to quantities, for every value of a kind of frame at once.

A value that lies in the first eight bytes is a shift and a mask of the payload read as one number,
so all such values of a kind are computed together: one row of a matrix each. A value that reaches
further (CAN FD), or has 64 unsigned bits, is computed by itself. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.joint.bench.value import BitPosition, Value

__all__ = ["BitFields", "bit_fields", "extract_values", "payload_words", "raw_values"]

PayloadWords = NDArray[np.uint64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BitFields:
    """Positions and scaling of v values; arrays of shape (v, 1)."""

    values: tuple[Value, ...]
    order: NDArray[np.intp]
    """0: counted from the first byte up (little); 1: from the last (big)."""
    shift: PayloadWords
    mask: PayloadWords
    sign: PayloadWords
    """The sign bit; 0 for an unsigned value."""
    factor: Floats
    offset: Floats
    no_value: tuple[tuple[NDArray[np.int64], NDArray[np.bool_]], ...]
    """Raw values that mean "no value", in rounds: one for each value, and which values have one."""
    no_range: tuple[tuple[int, int, int], ...]
    """(index, lowest, highest) of ranges of raw values that mean "no value"."""
    signed: bool
    """Whether any value is signed."""
    has_scaling: bool
    """Whether any value has an offset."""
    beyond_words: tuple[int, ...]
    """Indices of the values that are computed one by one."""


def bit_fields(values: Sequence[Value], factors: Sequence[tuple[float, float]]) -> BitFields:
    """Return the fields of one kind of frame; `factors` are (factor, offset) of each value."""
    beyond_words, orders, shifts, masks, signs = [], [], [], [], []
    for value_index, value in enumerate(values):
        if value.order == "little":
            shift = value.byte * 8 + value.first_bit
            fits_words = shift + value.bits <= 64
        else:
            last = value.byte * 8 + 7 - value.first_bit + value.bits
            shift = 64 - last
            fits_words = last <= 64
        if not fits_words or (value.bits == 64 and not value.signed) or value.type == "float":
            beyond_words.append(value_index)
            shift = 0
        orders.append(0 if value.order == "little" else 1)
        shifts.append(shift)
        masks.append((1 << value.bits) - 1)
        signs.append(1 << (value.bits - 1) if value.signed else 0)
    single = [[low for low, high in value.absent_ranges if low == high] for value in values]
    rounds = []
    for order_number in range(max(map(len, single), default=0)):
        has_range = np.array([[len(numbers) > order_number] for numbers in single])
        # 64 unsigned bits wrap, here as there.
        raw = [
            numbers[order_number] % 2**64 if len(numbers) > order_number else 0
            for numbers in single
        ]
        rounds.append((np.array(raw, np.uint64).view(np.int64)[:, None], has_range))

    def column(numbers: list[int]) -> PayloadWords:
        return np.array(numbers, np.uint64)[:, None]

    return BitFields(
        values=tuple(values),
        order=np.array(orders, np.intp).reshape(-1, 1),
        shift=column(shifts),
        mask=column(masks),
        sign=column(signs),
        factor=np.array([[factor] for factor, _ in factors], np.float64).reshape(-1, 1),
        offset=np.array([[offset] for _, offset in factors], np.float64).reshape(-1, 1),
        no_value=tuple(rounds),
        no_range=tuple(
            (value_index, low, high)
            for value_index, value in enumerate(values)
            for low, high in value.absent_ranges
            if low != high
        ),
        signed=any(signs),
        has_scaling=any(offset != 0.0 for _, offset in factors),
        beyond_words=tuple(beyond_words),
    )


def payload_words(data: NDArray[np.uint8]) -> PayloadWords:
    """Return the first eight bytes of n payloads as numbers, shape (2, n): little, then big."""
    first_bytes = np.ascontiguousarray(data[:, :8])
    words = np.empty((2, len(first_bytes)), np.uint64)
    words[0] = first_bytes.view("<u8")[:, 0]
    words[1] = first_bytes.view(">u8")[:, 0]
    return words


def extract_values(
    fields: BitFields, words: PayloadWords, data: NDArray[np.uint8], rows: NDArray[np.intp]
) -> tuple[NDArray[np.int64], Floats, NDArray[np.bool_] | None]:
    """Return raw values, scaled values and a mask of "no value", of n payloads of one kind.

    Parameters
    ----------
    words, data
        The result of `payload_words` for m payloads of any kind, and the payloads; shapes
        (2, m) and (m, width).
    rows
        Indices of those of this kind, shape (n,).

    Returns
    -------
    raw, scaled, absent
        int64, float64 and bool, shape (v, n). `absent` is None when none is.
    """
    bits = words[fields.order, rows]
    bits >>= fields.shift
    bits &= fields.mask
    if fields.signed:
        # Sign extension: flipping the sign bit and subtracting it is right for any width.
        bits ^= fields.sign
        bits -= fields.sign
    raw = bits.view(np.int64)
    if fields.beyond_words:
        payloads = data[rows]
        for value_index in fields.beyond_words:
            raw[value_index] = raw_values(payloads, fields.values[value_index])
    scaled = raw * fields.factor
    absent = None
    for value_index in fields.beyond_words:
        value = fields.values[value_index]
        if value.type == "float":
            float_values = _floats_of_bits(raw[value_index], value.bits)
            is_absent = ~np.isfinite(float_values)
            if is_absent.any():
                absent = _mark_absent(absent, raw.shape, value_index, is_absent)
                float_values = np.where(is_absent, 0.0, float_values)
            scaled[value_index] = float_values * fields.factor[value_index]
        elif value.bits == 64 and not value.signed:
            scaled[value_index] = (
                raw[value_index].view(np.uint64).astype(np.float64) * fields.factor[value_index]
            )
    if fields.has_scaling:
        scaled += fields.offset
    for number, has_value in fields.no_value:
        none = raw == number
        none &= has_value
        absent = none if absent is None else absent | none
    for value_index, low, high in fields.no_range:
        number = raw[value_index]
        if fields.values[value_index].bits == 64 and not fields.values[value_index].signed:
            number = number.view(np.uint64)
        absent = _mark_absent(absent, raw.shape, value_index, (number >= low) & (number <= high))
    if absent is not None and not absent.any():
        absent = None
    return raw, scaled, absent


def _mark_absent(
    absent: NDArray[np.bool_] | None,
    shape: tuple[int, ...],
    value_index: int,
    more_absent: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return the mask with more rows of one value marked as absent."""
    absent_rows = np.zeros(shape, bool) if absent is None else absent
    absent_rows[value_index] |= more_absent
    return absent_rows


def _floats_of_bits(raw: NDArray[np.int64], bits: int) -> Floats:
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
