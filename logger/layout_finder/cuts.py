"""The cheapest way to cut a frame into fields, and how much dearer every other way is. Pure.

Every way is compared, in both orders of bits, and the order may change between bytes.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import ORDERS, BitField, BitOrder, bit_columns, toggle_counts
from logger.layout_finder.field_cost import MOST_BITS, WINDOW, costs_by_length
from logger.layout_finder.traffic import Bytes

__all__ = ["Cut", "Plan", "cut_frame", "make_plans", "margin_of", "order_margin"]

MOST_BYTES: Final = 8
"""Bytes that are cut together; a field lies within so many."""
_ORDER_COST: Final = 6.0
"""Bits for a change of the order of bits."""


@dataclass(frozen=True)
class Cut:
    """A way to cut some columns into fields."""

    cost: float
    fields: tuple[tuple[int, int], ...]
    """First column (lowest bit first) and length."""


@dataclass(frozen=True)
class _Cuts:
    """The cheapest cuts of the columns from a first one up to each later one."""

    first: int
    best: list[float]
    back: list[int]
    """Bits, and length of the last field (0: none ends there), by number of columns."""

    def until(self, end: int) -> Cut:
        """Return the cheapest cut of the columns up to `end`."""
        fields: list[tuple[int, int]] = []
        place = end - self.first
        while place > 0:
            length = self.back[place]
            if length:
                fields.append((self.first + place - length, length))
            place -= max(1, length)
        return Cut(self.best[end - self.first], tuple(fields))


def _cheapest_cuts(
    costs: Floats, moving: list[bool], taken: list[bool], first: int, end: int
) -> _Cuts:
    """Return the cheapest ways to cut the columns from `first` to `end` into fields."""
    cost_of = costs[first:end].tolist()  # plain numbers: many times faster one by one
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
                total = best[place - length] + cost_of[lowest - first][length]
                if total < choice:
                    choice, choice_length = total, length
        best.append(choice)
        back.append(choice_length)
    return _Cuts(first, best, back)


@dataclass(frozen=True)
class Plan:
    """The costs of fields in one order, columns with the lowest bit of a field first."""

    order: BitOrder
    costs: Floats
    moving: list[bool]
    taken: list[bool]

    @cached_property
    def _cuts(self) -> tuple[_Cuts, ...]:
        """The cheapest cuts from the first column of each byte on: all segments are among them."""
        columns = len(self.moving)
        return tuple(
            _cheapest_cuts(
                *(self.costs, self.moving, self.taken),
                *(first, min(first + 8 * MOST_BYTES, columns)),
            )
            for first in range(0, columns, 8)
        )

    def without(self, known: frozenset[int]) -> "Plan":
        """Return the same plan with some columns, in the order "little", known."""
        places = list(range(len(self.moving)))
        if self.order == "big":
            places = [len(self.moving) - 8 * (c // 8) - 8 + c % 8 for c in places]
        taken = list(self.taken)
        for column, place in enumerate(places):
            taken[place] = taken[place] or column in known
        return replace(self, taken=taken)

    def segment(self, first_byte: int, end_byte: int) -> Cut:
        """Return the cheapest cut of some bytes, at most `MOST_BYTES`."""
        columns = len(self.moving)
        first, end = 8 * first_byte, 8 * end_byte
        if self.order == "big":
            first, end = columns - end, columns - first
        return self._cuts[first // 8].until(end)

    def column_of(self, field: BitField) -> int | None:
        """Return the column of the lowest bit of a field; None where it is of the other order."""
        if field.upper is not None:
            return None
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


def make_plans(payload: Bytes, windows: Ints, left_out: frozenset[int]) -> tuple[Plan, ...]:
    """Return the costs of all fields of frames, uint8[n, bytes], in both orders.

    `windows` are the first rows of windows, `left_out` the columns, in the order "little", that
    are known.
    """
    width = payload.shape[1]
    rows = windows[:, None] + np.arange(WINDOW)
    little_moving = toggle_counts(payload) > 0
    plans = []
    for order in ORDERS:
        bits = bit_columns(payload[rows].reshape(-1, width), order)
        bits = bits.reshape(len(windows), WINDOW, 8 * width).transpose(1, 2, 0)
        places = np.array([8 * (c // 8) + 7 - c % 8 for c in range(8 * width)])
        moving, taken = little_moving, np.isin(np.arange(8 * width), list(left_out))
        if order == "big":
            bits, moving, taken = bits[:, ::-1], moving[places][::-1], taken[places][::-1]
        costs = costs_by_length(bits, moving, taken)
        plans.append(Plan(order, costs, moving.tolist(), taken.tolist()))
    return tuple(plans)


def cut_frame(plans: tuple[Plan, ...], width: int) -> list[tuple[Plan, Cut]]:
    """Return the cheapest cut of a frame where each run of bytes has its order."""
    best: list[tuple[float, int, Plan | None, Cut | None]] = [(0.0, 0, None, None)]
    for end in range(1, width + 1):
        options = [
            (best[first][0] + cut.cost + (_ORDER_COST if first else 0.0), first, plan, cut)
            for first in range(max(0, end - MOST_BYTES), end)
            for plan in plans
            for cut in (plan.segment(first, end),)
        ]
        best.append(min(options, key=lambda option: option[0]))
    chosen: list[tuple[Plan, Cut]] = []
    place = width
    while place > 0:
        _, first, plan, cut = best[place]
        if plan is not None and cut is not None:
            chosen.append((plan, cut))
        place = first
    return chosen


def margin_of(plan: Plan, cut: Cut, lowest: int, length: int) -> float:
    """Return how much dearer the cut around a field is where it is not one field."""
    first = min(column for column, _ in cut.fields)
    end = max(column + bits for column, bits in cut.fields)
    costs = plan.costs.copy()
    costs[lowest, length] = np.inf
    without = _cheapest_cuts(costs, plan.moving, plan.taken, first, end).best[-1]
    return without - cut.cost


def order_margin(plans: tuple[Plan, ...], field: BitField) -> float:
    """Return how much dearer the frame is where the bytes of a field are of the other order."""
    touched = {byte for byte, _ in field.bit_places}
    if len(touched) < 2:
        return 0.0
    other = next(plan for plan in plans if plan.order != field.order)
    same = next(plan for plan in plans if plan.order == field.order)
    first, end = min(touched), max(touched) + 1
    # The neighbours that share these bytes are described in the other order as well.
    return other.segment(first, end).cost - same.segment(first, end).cost
