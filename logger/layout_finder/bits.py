"""Bits of payloads as columns, and fields of bits as numbers. Pure.

Columns are counted in the order of the bits: for "little" column `8 * byte + bit`, bit 0 the least
significant, so that a field runs from its lowest bit upwards; for "big" column
`8 * byte + 7 - bit`, so that it runs from its highest bit downwards. So both kinds of field are a
row of neighbouring columns.
"""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.traffic import Bytes

__all__ = [
    "ORDERS",
    "BitField",
    "BitOrder",
    "as_signed",
    "bit_columns",
    "join_pieces",
    "read_field",
    "toggle_counts",
    "unwrap_field",
]

BitOrder = Literal["little", "big"]
ORDERS: Final[tuple[BitOrder, BitOrder]] = ("little", "big")


@dataclass(frozen=True)
class BitField:
    """Neighbouring columns of bits that are read as one number; or two such rows of columns."""

    first_column: int
    length: int
    """Bits, of both pieces."""
    order: BitOrder = "little"
    upper: "BitField | None" = None
    """Where its upper bits lie, of a number in two pieces."""

    @property
    def byte(self) -> int:
        """The byte where it begins, as a layout writes it."""
        return self.first_column // 8

    @property
    def bit(self) -> int:
        """The bit in that byte where it begins: lowest for "little", highest for "big"."""
        within = self.first_column % 8
        return within if self.order == "little" else 7 - within

    @property
    def bit_places(self) -> tuple[tuple[int, int], ...]:
        """The (byte, bit) places that it takes, least significant first."""
        above = self.upper.bit_places if self.upper else ()
        columns = range(self.first_column, self.first_column + self.length - len(above))
        if self.order == "little":
            return (*(divmod(column, 8) for column in columns), *above)
        return (*((column // 8, 7 - column % 8) for column in reversed(columns)), *above)

    @property
    def little_columns(self) -> frozenset[int]:
        """The places as columns of the order "little"."""
        return frozenset(8 * byte + bit for byte, bit in self.bit_places)


def join_pieces(lower: BitField, upper: BitField) -> BitField:
    """Return the number whose lower bits are one field and whose upper bits are another."""
    return replace(lower, length=lower.length + upper.length, upper=upper)


def bit_columns(payload: Bytes, order: BitOrder = "little") -> Bytes:
    """Return uint8[n, 8 * bytes] of zeros and ones, in columns of an order."""
    return np.unpackbits(payload, axis=1, bitorder=order)


def toggle_counts(payload: Bytes) -> Ints:
    """Return how often each bit changed from frame to frame, in columns of "little"."""
    changes = payload[1:] ^ payload[:-1]
    return np.asarray(bit_columns(changes).sum(axis=0, dtype=np.int64))


def read_field(payload: Bytes, field: BitField) -> Ints:
    """Return a field of each frame as an unsigned number (modulo 2^63 for 64 bits), int64[n]."""
    value = np.zeros(len(payload), dtype=np.int64)
    for number, (byte, bit) in enumerate(field.bit_places[:63]):
        value |= (payload[:, byte].astype(np.int64) >> bit & 1) << number
    return value


def as_signed(value: Ints, length: int) -> Ints:
    """Return unsigned numbers of some bits as two's complement."""
    half = np.int64(1) << np.int64(min(length, 63) - 1)
    return np.asarray(((value + half) & (2 * half - 1)) - half)


def unwrap_field(value: Ints, modulus: int) -> Floats:
    """Return numbers that start again at a modulus as ones that go on, each by its last speed.

    Where the frames are slow the way may be more than half of the modulus; the speed before tells
    which turn is meant.
    """
    steps = np.diff(value.astype(np.float64))
    steps -= modulus * np.round(steps / modulus)
    if len(steps) > 1 and np.max(np.abs(steps)) > 0.25 * modulus:
        last = 0.0
        due = steps.tolist()  # plain numbers: many times faster one by one
        for number, step in enumerate(due):
            due[number] = step - modulus * round((step - last) / modulus)
            last = 0.5 * (last + due[number])
        steps = np.array(due)
    return np.concatenate([[0.0], np.cumsum(steps)]) + float(value[0])
