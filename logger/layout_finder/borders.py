"""Where one field ends and the next begins: the shortest description of the frames. Pure.

A field that is read whole is cheap to write down as differences from frame to frame; cut in two, or
joined with a neighbour, it is dear. The cost is the length of a code of wrapped first, second or
third differences, in each window of frames: a two-sided geometric code, whose mean the window
tells. A lone bit costs the entropy of its changes. Every way to cut a frame is compared, in both
orders of bits, and the order may change between bytes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import ORDERS, BitField, BitOrder, bit_columns, toggle_counts
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundField", "find_fields", "pick_windows"]

WINDOW: Final = 24
"""Frames of a window."""
SPAN_WINDOWS: Final = 12
MOST_WINDOWS: Final = 160
RARE_TOGGLES: Final = 60
WINDOWS_OF_RARE: Final = 4
MOST_BITS: Final = 32
MOST_BYTES: Final = 8
"""Bytes that are cut together; a field lies within so many."""
_MEAN_COST: Final = 3.0
_ORDER_OF_DIFFERENCE: Final = 2.0
_WRITTEN_OUT: Final = 5.0
_EARLY_RESTART: Final = 0.5
_FIELD_COST: Final = 4.0
_ORDER_COST: Final = 6.0
"""Bits for the mean of a window, a further difference, which difference is written out, a restart
before the bits are full, a field, a change of the order of bits."""
MIN_NOISE: Final = 0.9
"""Bits that a field costs for each of its own and each frame, from which on it is noise."""
MAX_JOINING_COST: Final = 0.65
"""Bits of each frame that noise and the value above it may cost more as one field."""


@dataclass(frozen=True)
class FoundField:
    """Neighbouring bits that move as one number."""

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


def _code_length(differences: Ints, length: int) -> Floats:
    """Return bits for the differences in each window, int64[..., n]; at most the bits themselves.

    The entropy of a two-sided geometric distribution of the same mean magnitude.
    """
    count = differences.shape[-1]
    sizes = np.abs(differences)
    total = sizes.sum(axis=-1)
    cost = _geometric_cost(total / count, count)
    # One difference may be written out: where a count starts again, or a frame was lost.
    rest = count - 1
    others = (total - sizes.max(axis=-1)) / rest
    written_out = _geometric_cost(others, rest) + float(length) + _WRITTEN_OUT
    return np.asarray(np.minimum(np.minimum(cost, written_out), count * float(length) + _MEAN_COST))


def _geometric_cost(mean: Floats, count: int) -> Floats:
    safe = np.where(mean > 0.0, mean, 1.0)
    ratio = (np.sqrt(1.0 + safe * safe) - 1.0) / safe
    each = np.log2((1.0 + ratio) / (1.0 - ratio)) - safe * np.log2(ratio)
    return np.asarray(np.where(mean > 0.0, count * each + _MEAN_COST, 0.0))


def _toggle_cost(toggles: Floats, count: int) -> Floats:
    share = np.clip(toggles / count, 1e-9, 1.0 - 1e-9)
    each = -share * np.log2(share) - (1.0 - share) * np.log2(1.0 - share)
    return np.asarray(np.where(toggles > 0, count * each + _MEAN_COST, 0.0))


def _allow_early_restart(cost: Floats, value: Ints, length: int) -> None:
    """Lower the cost of what starts again before its bits are full, as 3600 counts in 12 bits."""
    highest = value.max(axis=(-2, -1))
    jumps = np.abs(np.diff(value, axis=-1)).max(axis=(-2, -1))
    early = np.flatnonzero((jumps > highest // 2) & (highest < (1 << length) - 2) & (highest > 7))
    if not len(early):
        return
    restart = (highest[early] + 1)[:, None, None]
    first = (np.diff(value[early], axis=-1) + restart // 2) % restart - restart // 2
    second = (np.diff(first, axis=-1) + restart // 2) % restart - restart // 2
    lower = np.minimum(
        _code_length(first, length), _ORDER_OF_DIFFERENCE + _code_length(second, length)
    )
    cost[early] = np.minimum(cost[early], lower + _EARLY_RESTART)


def _two_level_cost(value: Ints) -> Floats:
    """Return bits for windows that hold two numbers only, int64[..., n]; infinite for others.

    Half of a count about which a slow value hesitates is no more than a lone bit that flips, and
    the other number has to be named.
    """
    lowest, highest = value.min(axis=-1), value.max(axis=-1)
    is_either = (value == lowest[..., None]) | (value == highest[..., None])
    toggles = (value[..., 1:] != value[..., :-1]).sum(axis=-1).astype(np.float64)
    apart = np.maximum(highest - lowest, 1).astype(np.float64)
    cost = _toggle_cost(toggles, value.shape[-1] - 1) + np.where(toggles > 0, np.log2(apart), 0.0)
    return np.asarray(np.where(is_either.all(axis=-1), cost, np.inf))


def _field_costs(bits: Bytes) -> Floats:
    """Return float64[columns, MOST_BITS + 1]: bits for the field from a lowest column, by length.

    `bits` is uint8[columns, windows, WINDOW], the lowest bit of a field first.
    """
    columns = len(bits)
    costs = np.full((columns, MOST_BITS + 1), np.inf)
    value = np.zeros(bits.shape, dtype=np.int64)
    for length in range(1, MOST_BITS + 1):
        fit = columns - length + 1
        if fit < 1:
            break
        value = value[:fit]
        value += bits[length - 1 : length - 1 + fit].astype(np.int64) << (length - 1)
        if length == 1:
            toggles = (value[..., 1:] != value[..., :-1]).sum(axis=-1).astype(np.float64)
            costs[:fit, 1] = _toggle_cost(toggles, WINDOW - 1).sum(axis=-1)
            continue
        half = 1 << (length - 1)
        first = (np.diff(value, axis=-1) + half & (2 * half - 1)) - half
        second = (np.diff(first, axis=-1) + half & (2 * half - 1)) - half
        third = (np.diff(second, axis=-1) + half & (2 * half - 1)) - half
        cost = np.minimum(
            _code_length(first, length), _ORDER_OF_DIFFERENCE + _code_length(second, length)
        )
        cost = np.minimum(cost, 2.0 * _ORDER_OF_DIFFERENCE + _code_length(third, length))
        cost = np.minimum(cost, _two_level_cost(value))
        _allow_early_restart(cost, value, length)
        costs[:fit, length] = cost.sum(axis=-1)
    return costs + _FIELD_COST


@dataclass(frozen=True)
class _Cut:
    cost: float
    fields: tuple[tuple[int, int], ...]
    """First column (lowest bit first) and length."""


def _cheapest_cut(
    costs: Floats, moving: list[bool], taken: list[bool], first: int, end: int
) -> _Cut:
    """Return the cheapest way to cut the columns from `first` to `end` into fields."""
    best = [0.0]
    back: list[int] = [0]
    for column in range(first, end):
        place = column - first + 1
        # A field ends with a bit that changed; what did not change belongs to none.
        if not moving[column] or taken[column]:
            best.append(best[-1])
            back.append(0)
            continue
        choice, choice_length = np.inf, 0
        for length in range(1, min(place, MOST_BITS) + 1):
            lowest = column - length + 1
            if taken[lowest]:
                break
            if moving[lowest]:
                total = best[place - length] + costs[lowest, length]
                if total < choice:
                    choice, choice_length = total, length
        best.append(float(choice))
        back.append(choice_length)
    fields: list[tuple[int, int]] = []
    place = end - first
    while place > 0:
        length = back[place]
        if length:
            fields.append((first + place - length, length))
        place -= max(1, length)
    return _Cut(best[-1], tuple(fields))


@dataclass(frozen=True)
class _Plan:
    """The costs of fields in one order, columns with the lowest bit of a field first."""

    order: BitOrder
    costs: Floats
    moving: list[bool]
    taken: list[bool]

    def segment(self, first_byte: int, end_byte: int) -> _Cut:
        """Return the cheapest cut of some bytes."""
        columns = len(self.moving)
        first, end = 8 * first_byte, 8 * end_byte
        if self.order == "big":
            first, end = columns - end, columns - first
        return _cheapest_cut(self.costs, self.moving, self.taken, first, end)

    def column_of(self, field: BitField) -> int | None:
        """Return the column of the lowest bit of a field; None where it is of the other order."""
        if field.order != self.order and len({byte for byte, _ in field.bit_places}) > 1:
            return None
        byte, bit = field.bit_places[0]
        lowest = 8 * byte + bit
        return lowest if self.order == "little" else len(self.moving) - 8 * byte - 8 + bit

    def field_at(self, lowest: int, length: int) -> BitField:
        """Return the field that begins at a column of this plan."""
        if self.order == "little":
            return BitField(lowest, length)
        field = BitField(len(self.moving) - lowest - length, length, "big")
        if len({byte for byte, _ in field.bit_places}) == 1:
            byte, bit = field.bit_places[0]
            return BitField(8 * byte + bit, length)
        return field


def _cut_frame(plans: tuple[_Plan, ...], width: int) -> list[tuple[_Plan, _Cut]]:
    """Return the cheapest cut of a frame where each run of bytes has its order."""
    best: list[tuple[float, int, _Plan | None, _Cut | None]] = [(0.0, 0, None, None)]
    for end in range(1, width + 1):
        options = [
            (best[first][0] + cut.cost + (_ORDER_COST if first else 0.0), first, plan, cut)
            for first in range(max(0, end - MOST_BYTES), end)
            for plan in plans
            for cut in (plan.segment(first, end),)
        ]
        best.append(min(options, key=lambda option: option[0]))
    chosen: list[tuple[_Plan, _Cut]] = []
    place = width
    while place > 0:
        _, first, plan, cut = best[place]
        if plan is not None and cut is not None:
            chosen.append((plan, cut))
        place = first
    return chosen


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
    rows = windows[:, None] + np.arange(WINDOW)
    little_moving = toggle_counts(payload) > 0
    plans = []
    for order in ORDERS:
        bits = np.moveaxis(bit_columns(payload[rows].reshape(-1, width), order), 1, 0)
        bits = bits.reshape(8 * width, len(windows), WINDOW)
        places = np.array([8 * (c // 8) + 7 - c % 8 for c in range(8 * width)])
        moving, taken = little_moving, np.isin(np.arange(8 * width), list(left_out))
        if order == "big":
            bits, moving, taken = bits[::-1], moving[places][::-1], taken[places][::-1]
        plans.append(_Plan(order, _field_costs(bits), moving.tolist(), taken.tolist()))
    chosen = _cut_frame(tuple(plans), width)
    found = []
    for plan, cut in chosen:
        for lowest, length in cut.fields:
            field = plan.field_at(lowest, length)
            found.append(
                FoundField(
                    field,
                    _margin_of(plan, cut, lowest, length),
                    _order_margin(tuple(plans), field),
                )
            )
    found = _join_noise(found, plans, (WINDOW - 1) * len(windows))
    return tuple(sorted(found, key=lambda one: min(one.field.little_columns)))


def _join_noise(
    found: list[FoundField], plans: Sequence[_Plan], differences: int
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
                    _order_margin(tuple(plans), field),
                    length + upper.noisy_bits,
                )
                left = [one for one in left if one is not lower and one is not upper] + [joined]
                break
    return left


def _margin_of(plan: _Plan, cut: _Cut, lowest: int, length: int) -> float:
    """Return how much dearer the cut around a field is where it is not one field."""
    first = min(column for column, _ in cut.fields)
    end = max(column + bits for column, bits in cut.fields)
    kept = plan.costs[lowest, length]
    plan.costs[lowest, length] = np.inf
    without = _cheapest_cut(plan.costs, plan.moving, plan.taken, first, end).cost
    plan.costs[lowest, length] = kept
    return float(without - cut.cost)


def _order_margin(plans: tuple[_Plan, ...], field: BitField) -> float:
    """Return how much dearer the frame is where the bytes of a field are of the other order."""
    touched = {byte for byte, _ in field.bit_places}
    if len(touched) < 2:
        return 0.0
    other = next(plan for plan in plans if plan.order != field.order)
    same = next(plan for plan in plans if plan.order == field.order)
    first, end = min(touched), max(touched) + 1
    # The neighbours that share these bytes are described in the other order as well.
    return other.segment(first, end).cost - same.segment(first, end).cost
