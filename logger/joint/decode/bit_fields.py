"""Bits to whole numbers to quantities, for all frames of a batch at once, whatever their kind.

Every kind of frame has the same number of slots, each for one of its values at most. A value that
lies in the first eight bytes is two shifts and a mask of the payload read as one number, so the
numbers of all slots of all frames are taken together, each frame by the row of the table that is
its kind's. A value that reaches further (CAN FD), is a float, has 64 bits or is a resistance is
computed by itself (*single*). Pure.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.joint.bench.value import Ntc, Value
from logger.joint.decode.raw_values import floats_of_bits, raw_values
from logger.joint.decode.resistance import ntc_degC, pt100_degC

__all__ = ["Extracted", "Field", "FieldTable", "extract_fields", "field_table"]

_LITTLE: Final = np.dtype("<u8")
_WORD: Final = np.dtype(np.uint64)
_INT: Final = np.dtype(np.int64)
_FLOAT: Final = np.dtype(np.float64)
_NO_RAW: Final = -(2**63)
"""No value of fewer than 64 bits has this raw number."""
_BLOCK_PLACES: Final = 16384
"""Slots of as many rows as are computed at once: they stay in the processor's cache."""
_MIN_BLOCK_ROWS: Final = 256
# Rows of `FieldTable.numbers`.
_LEFT, _RIGHT, _MASK, _USUAL, _USUAL_LENGTH, _TARGET, _FACTOR, _OFFSET, _SECOND = range(9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One value of a kind of frame, and where it goes."""

    value: Value
    factor: float
    offset: float
    second_factor: float = 1.0
    """For a quantity that is computed from this one."""
    target: int | None
    """Row of the matrix of readings; None: only its raw number is looked at."""
    lowest: float
    """Valid range of what is stored."""
    highest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Single:
    """A value that is computed by itself."""

    kind: int
    slot: int
    field: Field


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTable:
    """Positions and scaling of the values of k kinds of frame, in s slots each.

    A slot that a kind does not use goes to `spare`.
    """

    slots: int
    word_of_slot: NDArray[np.intp]
    """Shape (s,): 0 for a slot that is counted from the first byte up (little), 1 for one that is
    counted from the last (big)."""
    numbers: NDArray[np.uint64]
    """Shape (9, k, s): left shift, right shift, mask, start and length of the usual range of raw
    numbers, target, factor, offset, second factor; floats by their bits."""
    has_offset: bool
    """Whether a value has an offset, or a factor that turns a zero round."""
    has_second_factor: bool
    absent: tuple[tuple[Ints, NDArray[np.uint64]], ...]
    """Ranges of raw numbers that mean "no value", in rounds: start and length, shape (k, s)."""
    singles: tuple[_Single, ...]
    slot_of: Mapping[tuple[int, int], int]
    """(kind, index of the field in its kind) -> its slot."""
    spare: int
    """The row of the matrix of readings that is nobody's."""
    row_number: Ints
    """Shape (rows of a block, s): the number of the row; no more rows are computed at once."""


class Extracted(NamedTuple):
    """What n frames hold; a tuple, as one is made of every batch."""

    values: Floats
    """Shape (channels + 1, n): stored values, NaN where a frame does not carry the channel; the
    last row means nothing."""
    raw: Ints
    """Shape (n, slots)."""
    absent: NDArray[np.bool_] | None
    """Shape (n, slots): which are "no value"; None: none."""
    is_usual: bool
    """No value is outside its valid range, nor absent. False: some may be."""


def field_table(kinds: Sequence[Sequence[Field]], *, channels: int) -> FieldTable:
    """Return the table of kinds of frame, each with its fields; readings have `channels` rows."""
    slot_of, little, slots = _slots_of(kinds)
    shape = (len(kinds), slots)
    numbers = np.zeros((9, *shape), np.uint64)
    ints, floats = numbers.view(np.int64), numbers.view(np.float64)
    ints[_USUAL], numbers[_USUAL_LENGTH] = _NO_RAW, 2**64 - 1
    ints[_TARGET], floats[_SECOND] = channels, 1.0
    rounds = max((len(field.value.absent_ranges) for kind in kinds for field in kind), default=0)
    absent = [(np.full(shape, _NO_RAW), np.zeros(shape, np.uint64)) for _ in range(rounds)]
    singles = []
    for (kind, index), slot in slot_of.items():
        field, at = kinds[kind][index], (kind, slot)
        value = field.value
        if field.target is not None:
            ints[(_TARGET, *at)] = field.target
        floats[(_FACTOR, *at)] = field.factor
        floats[(_OFFSET, *at)] = field.offset
        floats[(_SECOND, *at)] = field.second_factor
        if _is_single(value):
            singles.append(_Single(kind=kind, slot=slot, field=field))
            continue
        numbers[(_LEFT, *at)] = 64 - _low_bit(value, little=slot < little) - value.bits
        numbers[(_RIGHT, *at)] = 64 - value.bits
        # The shift to the right brings the sign along; an unsigned value has none.
        ints[(_MASK, *at)] = -1 if value.signed else (1 << value.bits) - 1
        low, high = _usual_range(field)
        ints[(_USUAL, *at)], numbers[(_USUAL_LENGTH, *at)] = low, high - low
        for (starts, lengths), (low, high) in zip(absent, value.absent_ranges, strict=False):
            starts[at], lengths[at] = low, high - low
    return FieldTable(
        slots=slots,
        word_of_slot=np.repeat(np.array([0, 1], np.intp), [little, slots - little]),
        numbers=numbers,
        has_offset=bool((floats[_OFFSET] != 0.0).any() or (floats[_FACTOR] < 0.0).any()),
        has_second_factor=bool((floats[_SECOND] != 1.0).any()),
        absent=tuple(absent),
        singles=tuple(singles),
        slot_of=slot_of,
        spare=channels,
        row_number=np.repeat(
            np.arange(max(_BLOCK_PLACES // max(slots, 1), _MIN_BLOCK_ROWS))[:, None], slots, axis=1
        ),
    )


def _slots_of(
    kinds: Sequence[Sequence[Field]],
) -> tuple[dict[tuple[int, int], int], int, int]:
    """Return the slot of each (kind, field), how many slots are little, and how many there are.

    Little slots come first. A value within one byte is of either order: it takes what is left.
    """
    orders = [[_order_of(field.value) for field in fields] for fields in kinds]
    little = max((order.count("little") for order in orders), default=0)
    big = max((order.count("big") for order in orders), default=0)
    little += max(0, max((len(order) for order in orders), default=0) - little - big)
    slot_of = {}
    for kind, order in enumerate(orders):
        free = {"little": list(range(little)), "big": list(range(little, little + big))}
        for wanted in ("little", "big"):
            for index in range(len(order)):
                if order[index] == wanted:
                    slot_of[kind, index] = free[wanted].pop(0)
        left = free["little"] + free["big"]
        for index in range(len(order)):
            if order[index] == "":
                slot_of[kind, index] = left.pop(0)
    return slot_of, little, little + big


def _order_of(value: Value) -> str:
    """Return the order of a value's bytes; "" where it lies within one."""
    in_one_byte = len({byte for byte, _ in value.bit_places}) == 1
    return "" if in_one_byte else value.order


def _low_bit(value: Value, *, little: bool) -> int:
    """Return the place of the lowest bit in the first eight bytes, read as a number."""
    byte, bit = value.bit_places[0]
    return byte * 8 + bit if little else (7 - byte) * 8 + bit


def _is_single(value: Value) -> bool:
    return (
        value.bits == 64
        or value.type == "float"
        or value.resistance is not None
        or max(byte for byte, _ in value.bit_places) > 7
    )


def _usual_range(field: Field) -> tuple[int, int]:
    """Return a range of raw numbers that are stored and valid, both ends included.

    It may be narrower than it could be: what lies outside is looked at one by one.
    """

    def is_valid(raw: int) -> bool:
        stored = (float(raw) * field.factor + field.offset) * field.second_factor
        return field.lowest <= stored <= field.highest

    low, high = field.value.raw_range
    ends = sorted(_raw_at(field, limit) for limit in (field.lowest, field.highest))
    if not is_valid(low):
        low = int(max(ends[0], low)) + 1
    if not is_valid(high):
        high = int(min(ends[1], high)) - 1
    for first, last in field.value.absent_ranges:
        below, above = (low, min(high, first - 1)), (max(low, last + 1), high)
        low, high = max(below, above, key=lambda ends: ends[1] - ends[0])
    if low > high or not (is_valid(low) and is_valid(high)):
        return _NO_RAW, _NO_RAW
    return low, high


def _raw_at(field: Field, stored: float) -> float:
    """Return about which raw number is stored so; the scaling has room for all of them."""
    if field.factor == 0.0:
        return 0.0
    raw = (stored / field.second_factor - field.offset) / field.factor
    return 0.0 if math.isnan(raw) else raw


def extract_fields(
    table: FieldTable, data: NDArray[np.uint8], rows: NDArray[np.intp] | None, kind: Ints
) -> Extracted:
    """Return what the chosen frames hold.

    Parameters
    ----------
    data
        uint8, shape (m, width): payloads.
    rows
        Which of them, n in all; None: all. Their payloads are long enough for their kind.
    kind
        Shape (n,): the kind of each.
    """
    first_bytes = data if data.shape[1] == 8 else data[:, :8]
    words = np.ascontiguousarray(first_bytes).view(_LITTLE)[:, 0]
    if rows is not None:
        words = words[rows]
    n = len(kind)
    values = np.empty((table.spare + 1, n))
    values.fill(np.nan)
    block_rows = len(table.row_number)
    if n <= block_rows:
        raw, absent, is_usual = _extract_block(table, words, data, rows, kind, values, first=0)
        return Extracted(values, raw, absent, is_usual)
    raw = np.empty((n, table.slots), np.int64)
    absent, is_usual = None, True
    row = np.arange(n) if rows is None else rows
    for first in range(0, n, block_rows):
        block = slice(first, first + block_rows)
        raw[block], its_absent, its_usual = _extract_block(
            table, words[block], data, row[block], kind[block], values, first=first
        )
        is_usual &= its_usual
        if its_absent is not None:
            absent = np.zeros(raw.shape, bool) if absent is None else absent
            absent[block] = its_absent
    return Extracted(values, raw, absent, is_usual)


def _extract_block(  # noqa: PLR0917 - a block of what `extract_fields` has
    table: FieldTable,
    words: NDArray[np.uint64],
    data: NDArray[np.uint8],
    rows: NDArray[np.intp] | None,
    kind: Ints,
    values: Floats,
    *,
    first: int,
) -> tuple[Ints, NDArray[np.bool_] | None, bool]:
    """Write the values of n frames from column `first` on; return the rest of what they hold."""
    n = len(kind)
    numbers = table.numbers.take(kind, 1)
    ints = numbers.view(_INT)
    floats = numbers.view(_FLOAT)
    both = np.empty((n, 2), _WORD)
    both[:, 0] = words
    both[:, 1] = words.byteswap()
    bits = both.take(table.word_of_slot, 1)
    bits <<= numbers[_LEFT]
    raw = bits.view(_INT)
    raw >>= ints[_RIGHT]
    raw &= ints[_MASK]
    scaled = raw.astype(_FLOAT)
    scaled *= floats[_FACTOR]
    if table.has_offset:
        # An offset of zero, too: a zero that a factor turned round is no negative one.
        scaled += floats[_OFFSET]
    beyond = np.subtract(raw, ints[_USUAL]).view(_WORD) > numbers[_USUAL_LENGTH]
    is_usual = np.count_nonzero(beyond) == 0
    absent = None if is_usual else _absent_values(table, raw, kind)
    for single in table.singles:
        places = (kind == single.kind).nonzero()[0]
        if len(places):
            is_usual = False
            payloads = data[places if rows is None else rows[places]]
            absent = _extract_single(single, payloads, places, raw, scaled, absent=absent)
    if absent is not None:
        if np.count_nonzero(absent):
            scaled[absent] = np.nan
        else:
            absent = None
    if table.has_second_factor:
        scaled *= floats[_SECOND]
    places = ints[_TARGET]
    places *= values.shape[1]
    places += table.row_number[:n]
    if first:
        places += first
    values.reshape(-1)[places] = scaled
    return raw, absent, is_usual


def _absent_values(table: FieldTable, raw: Ints, kind: Ints) -> NDArray[np.bool_] | None:
    """Return which of the raw numbers, shape (n, slots), mean "no value"; None: none can."""
    absent = None
    for starts, lengths in table.absent:
        none = (raw - starts.take(kind, 0)).view(_WORD) <= lengths.take(kind, 0)
        absent = none if absent is None else absent | none
    return absent


def _extract_single(
    single: _Single,
    payloads: NDArray[np.uint8],
    places: NDArray[np.intp],
    raw: Ints,
    scaled: Floats,
    *,
    absent: NDArray[np.bool_] | None,
) -> NDArray[np.bool_] | None:
    """Write one value of the frames at `places`; return the mask with those that are absent."""
    field, slot = single.field, single.slot
    value = field.value
    bits = raw_values(payloads, value)
    raw[places, slot] = bits
    number = bits.view(np.uint64) if value.bits == 64 and not value.signed else bits
    is_absent = np.zeros(len(places), bool)
    for low, high in value.absent_ranges:
        is_absent |= (number >= low) & (number <= high)
    if value.type == "float":
        found = floats_of_bits(bits, value.bits)
        is_no_number = ~np.isfinite(found)
        found = np.where(is_no_number, 0.0, found)
        is_absent |= is_no_number
    else:
        found = number.astype(np.float64)
    found = found * field.factor + field.offset
    if value.resistance is not None:
        found = _sensor_temperature(found, value.resistance)
    scaled[places, slot] = found
    if is_absent.any():
        absent = np.zeros(raw.shape, bool) if absent is None else absent
        absent[places, slot] = is_absent
    return absent


def _sensor_temperature(ohm: Floats, sensor: str | Ntc) -> Floats:
    if isinstance(sensor, Ntc):
        return ntc_degC(ohm, r25_ohm=sensor.r25_ohm, b_K=sensor.b_K)
    return pt100_degC(ohm)
