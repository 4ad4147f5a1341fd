"""Which of several fields that part the frames alike tells the kinds apart. Pure.

Where frames of each kind hold the same number in several places, nothing in the frames says which
of them is the multiplexer: unused bytes are zero in one kind and a constant in the other, upper
bits of a slow value never change. What is left is how likely each field is by itself: how
customary its place and its numbers are for a multiplexer, held against how likely they are as what
just happens to stand there. All in bits, minus the logarithm of a probability.
"""

import math
from typing import Final

import numpy as np

from logger.layout_finder.bits import BitField
from logger.layout_finder.traffic import Bytes

__all__ = ["strangeness"]

_FIRST_BYTE: Final = 1.0
_LENGTH: Final = {8: 0.4, 4: 3.3}
_OTHER_LENGTH: Final = 9.0
_IN_A_ROW: Final = 1.3
_FROM_ZERO: Final = 2.0
_FROM_ONE: Final = 1.5
_STEP: Final = 2.0
_STEPS: Final = (2, 4, 8, 16)
_SMALL: Final = 2.0
_SMALL_NUMBERS: Final = 16
_ANY: Final = 3.0
_UPPER_HALF: Final = 2.0
"""Bits for a number in the upper half of its byte."""
_ZERO: Final = 0.7
_ONES: Final = 3.0
_ABOVE_A_VALUE: Final = 1.0
_CONSTANT: Final = 2.5
_NEAR: Final = 5.0
_NEAR_ABOVE: Final = 2.5
"""Bits for what stands there by chance: nothing, all ones, the still upper bits of a value, a
constant; a number near that of another kind, the less where both are the upper bits of values."""
_WITH_COUNTER: Final = 1.0
"""Bits for half of a byte whose other half is a counter."""


def strangeness(
    field: BitField, values: tuple[int, ...], moving: Bytes, known: frozenset[int] = frozenset()
) -> float:
    """Return bits by which a field is less likely the multiplexer than there by chance.

    Parameters
    ----------
    field
        Within one byte.
    values
        Its number in each kind, ascending.
    moving
        uint8[kinds, bytes]: the bits that change within each kind, in the order of `values`.
    known
        Columns, in the order "little", of counters and checksums: they are no values.
    """
    columns = np.array([column not in known for column in range(8 * moving.shape[1])])
    unknown = np.packbits(columns.reshape(-1, 8), axis=1, bitorder="little")[:, 0]
    by_chance, before = 0.0, None
    for value, bits in zip(values, moving & unknown, strict=True):
        by_chance += _bits_by_chance(value, before, field, bits)
        before = value
    place = _bits_of_place(field, moving, known)
    return place + _bits_of_values(values, field) - by_chance


def _bits_of_place(field: BitField, moving: Bytes, known: frozenset[int]) -> float:
    """Return bits for the place of a multiplexer: mostly a whole byte, mostly the first."""
    width = moving.shape[1]
    place = _FIRST_BYTE if field.byte == 0 else _FIRST_BYTE + math.log2(max(1, width - 1))
    changing = int(np.bitwise_or.reduce(moving[:, field.byte]))
    changed = {8 * field.byte + bit for bit in range(8) if changing >> bit & 1}
    if changed and changed <= known:
        return place + _WITH_COUNTER
    return place + _LENGTH.get(field.length, _OTHER_LENGTH)


def _bits_of_values(values: tuple[int, ...], field: BitField) -> float:
    """Return bits for the numbers of kinds: in a row, or small, or any at all."""
    count = len(values)
    options = [_ANY + math.log2(math.comb(1 << field.length, count))]
    for shift in (0, 4) if field.length == 8 else (0,):
        extra = _UPPER_HALF if shift else 0.0
        if any(value % (1 << shift) for value in values):
            continue
        numbers = [value >> shift for value in values]
        if numbers[-1] < _SMALL_NUMBERS:
            small = math.log2(math.comb(_SMALL_NUMBERS, count))
            options.append(extra + _SMALL + small)
        step = numbers[1] - numbers[0]
        # Two numbers alone are always evenly apart.
        is_step = step == 1 or (count > 2 and step in _STEPS)
        if is_step and numbers == list(range(numbers[0], numbers[-1] + 1, step)):
            start = _bits_of_start(numbers[0], field) + (_STEP if step > 1 else 0.0)
            options.append(extra + _IN_A_ROW + start)
    return min(options)


def _bits_of_start(first: int, field: BitField) -> float:
    if first < 2:
        return (_FROM_ZERO, _FROM_ONE)[first]
    return 2.0 + min(field.length, math.log2(_SMALL_NUMBERS) if first < _SMALL_NUMBERS else 8)


def _bits_by_chance(value: int, before: int | None, field: BitField, moving: Bytes) -> float:
    """Return bits for a number that stands in all frames of one kind, and is no multiplexer.

    `before` is that of another kind, where there is one.
    """
    if value == 0:
        return _ZERO
    if value == (1 << field.length) - 1:
        return _ONES
    is_above = _may_be_upper_bits(field, moving)
    kind, near = (_ABOVE_A_VALUE, _NEAR_ABOVE) if is_above else (_CONSTANT, _NEAR)
    bits = kind + min(field.length, 2 * (value.bit_length() - 1) + 1)
    if before is not None:
        bits = min(bits, near + 2.0 * math.log2(value - before))
    return bits


def _may_be_upper_bits(field: BitField, moving: Bytes) -> bool:
    """Return whether a value that moves below a field may go on into it, in either order.

    What moves right up to the border and never beyond ends there.
    """
    if field.bit:
        below = int(moving[field.byte]) & ((1 << field.bit) - 1)
        return bool(below) and not below >> (field.bit - 1)
    neighbours = [byte for byte in (field.byte - 1, field.byte + 1) if 0 <= byte < len(moving)]
    return any(0 < int(moving[byte]) < 0x80 for byte in neighbours)
