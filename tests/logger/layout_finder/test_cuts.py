"""Cheapest cuts of some bytes, held against every way to cut them."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.cuts import Plan, cut_frame, make_plans, margin_of
from logger.layout_finder.field_cost import WINDOW
from tests.logger.layout_finder.moved_joint import write_frames

COUNT = 400
WIDTH = 3


def _plans(left_out: frozenset[int] = frozenset()) -> tuple[Plan, ...]:
    noise = np.random.default_rng(6)
    rows = np.arange(COUNT)
    way = np.cumsum(noise.integers(-3, 9, COUNT))
    fields = {
        BitField(0, 3): rows & 7,
        BitField(5, 9): way & 0x1FF,
        BitField(16, 4): rows // 30 & 15,
        BitField(21, 2): noise.integers(0, 4, COUNT),
    }
    windows = np.arange(0, COUNT - WINDOW, 60)
    return make_plans(write_frames(fields, COUNT, WIDTH), windows, left_out)


def _cheapest(plan: Plan, first: int, end: int) -> float:
    """Return bits of the cheapest cut of columns: by all last fields, and all cuts before each."""
    if end <= first:
        return 0.0
    if plan.taken[end - 1] or not plan.moving[end - 1]:
        return _cheapest(plan, first, end - 1)
    return min(
        plan.costs[lowest, end - lowest] + _cheapest(plan, first, lowest)
        for lowest in range(first, end)
        if plan.moving[lowest] and not any(plan.taken[lowest:end])
    )


@pytest.mark.parametrize("known", [frozenset(), frozenset({8, 22})])
def test_segments_are_the_cheapest_cut_of_their_bytes(known: frozenset[int]):
    """In both orders, and whether columns are known before the costs or after them."""
    for before, after in zip(_plans(known), _plans(), strict=True):
        columns = 8 * WIDTH
        for first, end in ((0, 1), (1, 2), (0, 2), (1, 3)):
            cut = before.segment(first, end)
            assert after.without(known).segment(first, end) == cut
            cost = sum(before.costs[place] for place in cut.fields)
            assert cut.cost == pytest.approx(cost)
            place = (first, end) if before.order == "little" else (WIDTH - end, WIDTH - first)
            assert cut.cost == pytest.approx(_cheapest(before, 8 * place[0], 8 * place[1]))
            assert 0 < len(cut.fields) < columns


def test_a_margin_leaves_the_plan_as_it_was():
    """A field is made dear only to see what the frame costs without it."""
    plans = _plans()
    before = [plan.costs.copy() for plan in plans]
    cuts = cut_frame(plans, WIDTH)
    margins = [margin_of(plan, cut, *place) for plan, cut in cuts for place in cut.fields]
    assert len(margins) >= 4
    assert min(margins) > 0
    for plan, costs in zip(plans, before, strict=True):
        np.testing.assert_array_equal(plan.costs, costs)
