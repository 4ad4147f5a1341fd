"""Where one field ends and the next begins: the shortest description of the frames. Pure.

A field that is read whole is cheap to write down as differences from frame to frame; cut in two, or
joined with a neighbour, it is dear. The cheapest cut of a frame may still leave a number in two
pieces that do not touch: two fields that are cheaper to write down as one are one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.layout_finder.bits import BitField, bit_columns, join_pieces, read_field
from logger.layout_finder.cuts import Plan, cut_frame, make_plans, margin_of, order_margin
from logger.layout_finder.field_cost import FIELD_COST, MOST_BITS, WINDOW, number_cost
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundField", "describe_frames", "find_fields", "pick_windows"]

SPAN_WINDOWS: Final = 12
MOST_WINDOWS: Final = 160
RARE_TOGGLES: Final = 60
WINDOWS_OF_RARE: Final = 4
MIN_NOISE: Final = 0.9
"""Bits that a field costs for each of its own and each frame, from which on it is noise."""
MAX_JOINING_COST: Final = 0.65
"""Bits of each frame that noise and the value above it may cost more as one field."""
PIECES_COST: Final = 16.0
"""Bits that two pieces have to save as one number: of many pairs some save a little by chance."""


@dataclass(frozen=True)
class FoundField:
    """Bits that move as one number."""

    field: BitField
    """From the lowest to the highest bit that ever changed."""
    margin_bits: float
    """How many bits longer the frames are described without this field, at best."""
    order_margin_bits: float
    """The same, where each byte that it touches were of the other order; 0: within one byte."""
    noisy_bits: int = 0
    """How many of its lowest bits are pure noise: that they are its own is custom, not evidence."""


def pick_windows(payload: Bytes, spans: tuple[slice, ...]) -> Ints:
    """Return the first rows of windows: spread over spans, and around what changes rarely.

    The rare changes are what tells temperatures and upper bits; frames picked from far apart
    would alias what moves.
    """
    last = len(payload) - WINDOW
    if last < 0:
        return np.zeros(0, dtype=np.int64)
    starts: set[int] = set()
    for span in spans:
        first, end = span.start, min(span.stop - WINDOW, last)
        if end >= first:
            starts |= set(np.linspace(first, end, SPAN_WINDOWS).astype(int).tolist())
    changes = bit_columns(payload[1:] ^ payload[:-1])
    toggles = changes.sum(axis=0, dtype=np.int64)
    rare: list[int] = []
    for column in np.flatnonzero((toggles > 0) & (toggles <= RARE_TOGGLES)):
        rows = np.flatnonzero(changes[:, column])
        picked = rows[np.linspace(0, len(rows) - 1, WINDOWS_OF_RARE).astype(int)]
        rare += [int(row) for row in np.unique(picked)]
    for row in rare[: MOST_WINDOWS - len(starts)]:
        start = min(max(0, row - WINDOW // 2), last)
        if not any(abs(start - other) < WINDOW // 4 for other in starts):
            starts.add(start)
    return np.array(sorted(starts), dtype=np.int64)


def find_fields(
    payload: Bytes, windows: Ints, left_out: frozenset[int] = frozenset()
) -> tuple[FoundField, ...]:
    """Return the fields of frames of one kind, in order of their places.

    Parameters
    ----------
    payload
        uint8[n, bytes].
    windows
        First rows of windows; see `pick_windows`.
    left_out
        Columns, in the order "little", that are known: multiplexer, counter, checksum.
    """
    width = payload.shape[1]
    if not len(windows) or not width:
        return ()
    plans = make_plans(payload, windows, left_out)
    found = []
    for plan, cut in cut_frame(plans, width):
        for lowest, length in cut.fields:
            field = plan.field_at(lowest, length)
            margin = margin_of(plan, cut, lowest, length)
            found.append(FoundField(field, margin, order_margin(plans, field)))
    found = _join_noise(found, plans, (WINDOW - 1) * len(windows))
    found = _join_pieces(found, payload, windows)
    return tuple(sorted(found, key=lambda one: min(one.field.little_columns)))


def describe_frames(
    payload: Bytes, windows: Ints, choices: Sequence[frozenset[int]]
) -> tuple[float, ...]:
    """Return the bits of the shortest description of frames, for several choices of known columns.

    See `find_fields`; what is known costs nothing.
    """
    plans = make_plans(payload, windows, frozenset.intersection(*choices))
    width = payload.shape[1]
    return tuple(
        sum(cut.cost for _, cut in cut_frame(tuple(plan.without(known) for plan in plans), width))
        for known in choices
    )


def _join_pieces(found: list[FoundField], payload: Bytes, windows: Ints) -> list[FoundField]:
    """Return fields, two that are cheaper to write down as one number joined, the cheapest first.

    The upper piece changes just where the lower one starts again: written down with it, it costs
    next to nothing.
    """
    rows = payload[windows[:, None] + np.arange(WINDOW)].reshape(-1, payload.shape[1])

    def cost_of(value: Ints, length: int) -> float:
        by_frame = np.ascontiguousarray(value.reshape(-1, 1, WINDOW).T)
        return float(number_cost(by_frame, length)[0]) + FIELD_COST

    raw = [read_field(rows, one.field) for one in found]
    alone = [cost_of(value, one.field.length) for one, value in zip(found, raw, strict=True)]
    savings: list[tuple[float, int, int]] = []
    for lower, upper in permutations(range(len(found)), 2):
        length = found[lower].field.length + found[upper].field.length
        if length > MOST_BITS or found[lower].field.length < 2:
            continue
        # What costs nearly nothing cannot save much.
        if min(alone[lower], alone[upper]) < PIECES_COST:
            continue
        whole = raw[lower] | raw[upper] << found[lower].field.length
        saved = alone[lower] + alone[upper] - cost_of(whole, length)
        if saved > PIECES_COST:
            savings.append((saved, lower, upper))
    left = dict(enumerate(found))
    joined: list[FoundField] = []
    for saved, lower, upper in sorted(savings, reverse=True):
        if lower in left and upper in left:
            field = join_pieces(left[lower].field, left.pop(upper).field)
            left[lower] = replace(
                left[lower], field=field, margin_bits=min(saved, left[lower].margin_bits)
            )
            joined.append(left.pop(lower))
    return joined + list(left.values())


def _join_noise(
    found: list[FoundField], plans: tuple[Plan, ...], differences: int
) -> list[FoundField]:
    """Return fields, noise joined with the value that goes on above it.

    The lowest bits of a noisy value are as cheap beside it as with it. Of two strangers side by
    side the lower costs much more where it is joined.
    """
    left = list(found)
    for lower in found:
        for plan in plans:
            column = plan.column_of(lower.field)
            length = lower.field.length
            if column is None or plan.costs[column, length] < MIN_NOISE * length * differences:
                continue
            upper = next(
                (
                    one
                    for one in left
                    if one is not lower and plan.column_of(one.field) == column + length
                ),
                None,
            )
            whole = length + (upper.field.length if upper else MOST_BITS)
            if upper is None or lower not in left or whole > MOST_BITS:
                continue
            more = (
                plan.costs[column, whole]
                - plan.costs[column, length]
                - plan.costs[column + length, upper.field.length]
            )
            if more < MAX_JOINING_COST * differences:
                field = plan.field_at(column, whole)
                joined = FoundField(
                    field,
                    upper.margin_bits,
                    order_margin(plans, field),
                    length + upper.noisy_bits,
                )
                left = [one for one in left if one is not lower and one is not upper] + [joined]
                break
    return left
