"""Bits to whole numbers to quantities, for every value of a kind of frame at once.

A value that lies in the first eight bytes is a shift and a mask of the payload read as one number,
so all such values of a kind are taken together: one row of a matrix each. What reaches further (CAN
FD), or has 64 unsigned bits, is taken alone. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.joint.bench.value import Place, Value

__all__ = ["Fields", "fields_for", "quantities", "raw_values", "words_of"]

Floats = NDArray[np.float64]
Words = NDArray[np.uint64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """Where v values stand and what one count of each is worth; arrays of shape (v, 1)."""

    values: tuple[Value, ...]
    order: NDArray[np.intp]
    """0: counted from the first byte up (little); 1: from the last (big)."""
    shift: Words
    mask: Words
    sign: Words
    """The sign bit; 0 for an unsigned value."""
    factor: Floats
    offset: Floats
    no_value: tuple[tuple[NDArray[np.int64], NDArray[np.bool_]], ...]
    """Raw values that mean "no value": for each round one a value, and which values have one."""
    no_range: tuple[tuple[int, int, int], ...]
    """(place, lowest, highest) of ranges of raw values that mean it."""
    signed: bool
    """Any value is."""
    moved: bool
    """Any value has an offset."""
    alone: tuple[int, ...]
    """Places of the values that are taken one by one."""


def fields_for(values: Sequence[Value], factors: Sequence[tuple[float, float]]) -> Fields:
    """Return the fields of one kind of frame; `factors` are (factor, offset) of each value."""
    alone, orders, shifts, masks, signs = [], [], [], [], []
    for place, value in enumerate(values):
        if value.order == "little":
            shift = value.byte * 8 + value.first_bit
            fits = shift + value.bits <= 64
        else:
            last = value.byte * 8 + 7 - value.first_bit + value.bits
            shift = 64 - last
            fits = last <= 64
        if not fits or (value.bits == 64 and not value.signed) or value.type == "float":
            alone.append(place)
            shift = 0
        orders.append(0 if value.order == "little" else 1)
        shifts.append(shift)
        masks.append((1 << value.bits) - 1)
        signs.append(1 << (value.bits - 1) if value.signed else 0)
    single = [[low for low, high in value.absent if low == high] for value in values]
    rounds = []
    for turn in range(max(map(len, single), default=0)):
        has = np.array([[len(numbers) > turn] for numbers in single])
        # 64 unsigned bits wrap, here as there.
        raw = [numbers[turn] % 2**64 if len(numbers) > turn else 0 for numbers in single]
        rounds.append((np.array(raw, np.uint64).view(np.int64)[:, None], has))

    def column(numbers: list[int]) -> Words:
        return np.array(numbers, np.uint64)[:, None]

    return Fields(
        values=tuple(values),
        order=np.array(orders, np.intp).reshape(-1, 1),
        shift=column(shifts),
        mask=column(masks),
        sign=column(signs),
        factor=np.array([[factor] for factor, _ in factors], np.float64).reshape(-1, 1),
        offset=np.array([[offset] for _, offset in factors], np.float64).reshape(-1, 1),
        no_value=tuple(rounds),
        no_range=tuple(
            (place, low, high)
            for place, value in enumerate(values)
            for low, high in value.absent
            if low != high
        ),
        signed=any(signs),
        moved=any(offset != 0.0 for _, offset in factors),
        alone=tuple(alone),
    )


def words_of(data: NDArray[np.uint8]) -> Words:
    """Return the first eight bytes of n payloads as numbers, shape (2, n): little, then big."""
    head = np.ascontiguousarray(data[:, :8])
    words = np.empty((2, len(head)), np.uint64)
    words[0] = head.view("<u8")[:, 0]
    words[1] = head.view(">u8")[:, 0]
    return words


def quantities(
    fields: Fields, words: Words, data: NDArray[np.uint8], rows: NDArray[np.intp]
) -> tuple[NDArray[np.int64], Floats, NDArray[np.bool_] | None]:
    """Return raw values, scaled values and where a value is none, of n payloads of one kind.

    Parameters
    ----------
    words, data
        What `words_of` gives for m payloads of any kind, and they; shapes (2, m) and (m, width).
    rows
        Which of them are of this kind, shape (n,).

    Returns
    -------
    raw, scaled, absent
        int64, float64 and bool, shape (v, n). `absent` is None when none is.
    """
    bits = words[fields.order, rows]
    bits >>= fields.shift
    bits &= fields.mask
    if fields.signed:
        bits ^= fields.sign
        bits -= fields.sign
    raw = bits.view(np.int64)
    if fields.alone:
        payloads = data[rows]
        for place in fields.alone:
            raw[place] = raw_values(payloads, fields.values[place])
    scaled = raw * fields.factor
    absent = None
    for place in fields.alone:
        value = fields.values[place]
        if value.type == "float":
            told = _floats(raw[place], value.bits)
            nowhere = ~np.isfinite(told)
            if nowhere.any():
                absent = _with(absent, raw.shape, place, nowhere)
                told = np.where(nowhere, 0.0, told)
            scaled[place] = told * fields.factor[place]
        elif value.bits == 64 and not value.signed:
            scaled[place] = raw[place].view(np.uint64).astype(np.float64) * fields.factor[place]
    if fields.moved:
        scaled += fields.offset
    for number, has in fields.no_value:
        none = raw == number
        none &= has
        absent = none if absent is None else absent | none
    for place, low, high in fields.no_range:
        number = raw[place]
        if fields.values[place].bits == 64 and not fields.values[place].signed:
            number = number.view(np.uint64)
        absent = _with(absent, raw.shape, place, (number >= low) & (number <= high))
    if absent is not None and not absent.any():
        absent = None
    return raw, scaled, absent


def _with(
    absent: NDArray[np.bool_] | None,
    shape: tuple[int, ...],
    place: int,
    more: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return which values are none, some more of one place included."""
    whole = np.zeros(shape, bool) if absent is None else absent
    whole[place] |= more
    return whole


def _floats(raw: NDArray[np.int64], bits: int) -> Floats:
    """Return the IEEE 754 numbers (binary16, 32 or 64) that raw bits are."""
    whole = raw.view(np.uint64)
    if bits == 64:
        return whole.view(np.float64)
    narrow = (
        whole.astype(np.uint32).view(np.float32)
        if bits == 32
        else whole.astype(np.uint16).view(np.float16)
    )
    return narrow.astype(np.float64)


def raw_values(data: NDArray[np.uint8], value: Place) -> NDArray[np.int64]:
    """Return the raw integers of one value, wherever in the payload it stands.

    Parameters
    ----------
    data
        uint8, shape (n, width): payloads that are long enough.
    value
        Where it stands.

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
        above = 7 - value.first_bit
        count = (above + value.bits + 7) // 8
        shift = count * 8 - above - value.bits
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
