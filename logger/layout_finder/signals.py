"""From frames to signals: kinds told apart, what is known taken out, numbers read. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.layout_finder.bits import ORDERS, BitField, BitOrder, read_field, toggle_counts
from logger.layout_finder.borders import find_fields, pick_windows
from logger.layout_finder.checksum import FoundChecksum
from logger.layout_finder.checksum_pool import (
    CheckedFrames,
    check_frames,
    choose_checksums,
    weigh_bytes,
)
from logger.layout_finder.counter import FoundCounter, count_by_kind, find_counters
from logger.layout_finder.multiplexer import find_multiplexer
from logger.layout_finder.number_form import (
    NumberForm,
    choose_form,
    find_floats,
    read_number,
)
from logger.layout_finder.traffic import Bytes, FrameGroup, Marks, frames_in

__all__ = [
    "Kind",
    "Signal",
    "ends_naturally",
    "extensions_of",
    "find_kinds",
    "find_signals",
    "split_kinds",
]

MIN_FRAMES: Final = 60
MOST_SHARED_BITS: Final = 16
USUAL_LENGTHS: Final = (8, 10, 12, 16)
"""Bits of a value that moves slowly, wherever it begins."""


@dataclass(frozen=True, eq=False)
class Kind:
    """Frames that are laid out alike."""

    identifier: int
    extended: bool
    time_s: Floats
    payload: Bytes
    multiplexer: BitField | None
    multiplexer_value: int | None
    checksum: FoundChecksum | None
    counters: tuple[FoundCounter, ...]

    @property
    def known_columns(self) -> frozenset[int]:
        """Columns, in the order "little", of multiplexer, checksum and counters."""
        fields = [counter.field for counter in self.counters]
        fields += [self.checksum.field] if self.checksum else []
        fields += [self.multiplexer] if self.multiplexer else []
        return frozenset().union(*(field.little_columns for field in fields))


@dataclass(frozen=True, eq=False)
class Signal:
    """A field of a kind, read as a number."""

    kind: int
    field: BitField
    form: NumberForm
    time_s: Floats
    value: Floats
    margin_bits: float
    order_margin_bits: float
    noisy_bits: int = 0
    """See `FoundField`."""

    @property
    def modulus(self) -> int | None:
        """Where it may start again; None of a float."""
        return None if self.form is NumberForm.FLOAT else 1 << self.field.length


def _find_own_counters(payload: Bytes, checksum: FoundChecksum | None) -> tuple[FoundCounter, ...]:
    taken = checksum.field.little_columns if checksum else frozenset()
    found = find_counters(payload)
    return tuple(counter for counter in found if not counter.field.little_columns & taken)


def find_kinds(groups: Sequence[FrameGroup]) -> tuple[Kind, ...]:
    """Return the kinds of all frames, each with its checksum and counters.

    Which byte is the checksum is looked at again when the kinds are known: one of a value may stand
    still in a kind whose other bytes change. Kinds of one identifier may have theirs at different
    bytes, or only some of them may have one.
    """
    checked = [check_frames(one.identifier, one.payload, extended=one.extended) for one in groups]
    checksums = choose_checksums(checked)
    split = [split_kinds(*pair) for pair in zip(groups, checksums, strict=True)]
    checked = [
        weigh_bytes(one, [kind.payload for kind in kinds])
        for one, kinds in zip(checked, split, strict=True)
    ]
    settled = choose_checksums(checked)
    for number, (before, after) in enumerate(zip(checksums, settled, strict=True)):
        if (before and before.byte) != (after and after.byte):
            split[number] = split_kinds(groups[number], after)
        elif after is not None:
            split[number] = tuple(replace(kind, checksum=after) for kind in split[number])
    return _with_own_checksums(
        [kind for kinds in split for kind in kinds],
        [one for one, checksum in zip(checked, settled, strict=True) if checksum is not None],
    )


def _with_own_checksums(kinds: Sequence[Kind], known: Sequence[CheckedFrames]) -> tuple[Kind, ...]:
    """Return kinds, those of one identifier that have no common checksum with one of their own."""
    single = [
        number
        for number, kind in enumerate(kinds)
        if kind.multiplexer is not None and not _may_be_its(kind.checksum, kind.payload)
    ]
    own = [
        check_frames(
            kinds[number].identifier, kinds[number].payload, extended=kinds[number].extended
        )
        for number in single
    ]
    found = choose_checksums([*known, *own])[len(known) :]
    changed = list(kinds)
    for number, checksum in zip(single, found, strict=True):
        kind = kinds[number]
        taken = checksum.field.little_columns if checksum else frozenset()
        if checksum is None or (kind.multiplexer and taken & kind.multiplexer.little_columns):
            continue
        counters = tuple(one for one in kind.counters if not one.field.little_columns & taken)
        changed[number] = replace(kind, checksum=checksum, counters=counters)
    return tuple(changed)


def _may_be_its(checksum: FoundChecksum | None, payload: Bytes) -> bool:
    """Return whether a checksum may be that of a kind: it does not stand still where others move.

    Of all kinds together the XOR is constant wherever it lies in each.
    """
    if checksum is None:
        return False
    moved = np.flatnonzero((payload != payload[:1]).any(axis=0))
    return checksum.byte in moved or not len(moved)


def split_kinds(group: FrameGroup, checksum: FoundChecksum | None) -> tuple[Kind, ...]:
    """Return the kinds of frames of one identifier and length."""
    counters = _find_own_counters(group.payload, checksum)
    known = [counter.field for counter in counters]
    known += [checksum.field] if checksum else []
    multiplexer = find_multiplexer(group.time_s, group.payload, known)
    whole = Kind(
        group.identifier,
        group.extended,
        *(group.time_s, group.payload, None, None, checksum, counters),
    )
    if multiplexer is None:
        return (whole,)
    value = read_field(group.payload, multiplexer.field)
    rows_of = {one: value == one for one in multiplexer.values}
    own = {one: _find_own_counters(group.payload[rows], checksum) for one, rows in rows_of.items()}
    counted = [(int(rows.sum()), own[one]) for one, rows in rows_of.items()]
    if counters and not count_by_kind(counters, counted):
        own = dict.fromkeys(own, tuple(replace(one, across_kinds=True) for one in counters))
    return tuple(
        replace(
            whole,
            time_s=group.time_s[rows],
            payload=group.payload[rows],
            multiplexer=multiplexer.field,
            multiplexer_value=one,
            counters=own[one],
        )
        for one, rows in rows_of.items()
    )


def _orders_of(field: BitField) -> tuple[BitOrder, ...]:
    """Return the orders in which a field can go on: within one byte both."""
    top = field.upper or field
    within = len({byte for byte, _ in top.bit_places}) == 1
    return ORDERS if within else (top.order,)


def _widened(field: BitField, bits: int, order: BitOrder, width: int) -> BitField | None:
    """Return a field with more bits above, in an order; None beyond the frame."""
    if field.upper is not None:
        upper = _widened(field.upper, bits, order, width)
        return replace(field, length=field.length + bits, upper=upper) if upper else None
    if order == "little":
        wider = BitField(field.first_column, field.length + bits, "little")
        return wider if wider.first_column + wider.length <= width else None
    first = field.first_column
    if field.order == "little":  # within one byte both orders are one
        byte, bit = field.bit_places[-1]
        first = 8 * byte + 7 - bit
    return BitField(first - bits, field.length + bits, "big") if first >= bits else None


def extensions_of(payload: Bytes, field: BitField, taken: frozenset[int]) -> tuple[BitField, ...]:
    """Return a field, then with the unchanging bits above it up to where a value may end.

    That is the end of a half byte, a usual length, or right below what is known: see
    `ends_naturally`. `taken` are the columns, in the order "little", that are other fields' or
    known.
    """
    width = 8 * payload.shape[1]
    still = toggle_counts(payload) == 0
    found = [field]
    for order in _orders_of(field):
        for bits in range(1, MOST_SHARED_BITS - field.length + 1):
            wider = _widened(field, bits, order, width)
            if wider is None:
                break
            byte, bit = wider.bit_places[-1]
            if not still[8 * byte + bit] or 8 * byte + bit in taken:
                break
            if bit == 3 or wider.length in USUAL_LENGTHS or ends_naturally(wider, taken):
                canonical = wider
                if order == "big" and len({b for b, _ in wider.bit_places}) == 1:
                    canonical = BitField(field.first_column, wider.length)
                if canonical not in found:
                    found.append(canonical)
    return tuple(found)


def ends_naturally(field: BitField, taken: frozenset[int]) -> bool:
    """Return whether the highest bit is the last of its byte, or another field begins above it."""
    byte, bit = field.bit_places[-1]
    return bit == 7 or 8 * byte + bit + 1 in taken


def find_signals(kind: Kind, number: int, marks: Marks) -> tuple[Signal, ...]:
    """Return the fields of a kind that change, as numbers; `number` is the kind's place."""
    if len(kind.payload) < MIN_FRAMES:
        return ()
    known = kind.known_columns
    floats = find_floats(kind.payload, known)
    float_columns = frozenset().union(*(one.field.little_columns for one in floats))
    spans = [
        frames_in(kind.time_s, span)
        for span in (marks.rest, marks.turn, marks.load, marks.warm)
        if span is not None
    ] or [slice(0, len(kind.payload))]
    windows = pick_windows(kind.payload, tuple(spans))
    found = find_fields(kind.payload, windows, known | float_columns)
    rest = frames_in(kind.time_s, marks.rest)
    signals = [
        Signal(
            *(number, one.field, NumberForm.FLOAT, kind.time_s),
            read_number(kind.payload, one.field, NumberForm.FLOAT),
            100.0 * (0.35 - one.smoothness),
            100.0,
        )
        for one in floats
    ]
    for one in found:
        form = choose_form(kind.payload, one.field, rest)
        value = read_number(kind.payload, one.field, form)
        signals.append(
            Signal(
                *(number, one.field, form, kind.time_s, value),
                *(one.margin_bits, one.order_margin_bits, one.noisy_bits),
            )
        )
    return tuple(signals)
