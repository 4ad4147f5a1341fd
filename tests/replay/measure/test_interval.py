"""Uncertainties after the GUM: combined, drawn, and held against printed examples."""

import math

import numpy as np
import pytest

from logger.findings.finding import UncertaintyPart
from logger.findings.uncertainty import student_factor
from replay.measure.interval import (
    DRAW_COUNT,
    bench_dice,
    combine_parts,
    drawn_bounds,
    drawn_reading,
)


def test_effective_degrees_of_freedom_after_jcgm_100_g_4():
    """Welch-Satterthwaite: what is known beforehand adds no lack of knowledge."""
    parts = (
        UncertaintyPart(source="repeats", contribution=3.0, degrees_of_freedom=4),
        UncertaintyPart(source="scale", contribution=4.0),
    )
    combined, dof = combine_parts(parts)
    assert combined == pytest.approx(5.0)
    assert dof == pytest.approx(4 * (5.0 / 3.0) ** 4)
    assert combine_parts(()) == (0.0, math.inf)


@pytest.mark.parametrize(("dof", "factor"), [(1, 12.71), (4, 2.78), (10, 2.23), (math.inf, 1.96)])
def test_student_factors_of_table_g_2(dof, factor):
    """JCGM 100, table G.2, 95 %."""
    assert student_factor(None if math.isinf(dof) else dof) == pytest.approx(factor, abs=0.005)


def test_four_rectangular_inputs_after_jcgm_101_9_2_3():
    """The sum of four rectangular inputs of unit standard uncertainty: 2.0, and -3.88 to 3.88."""
    dice = bench_dice("jcgm 101")
    bound = math.sqrt(3.0)
    drawn = np.sum(
        [drawn_reading(0.0, bound=bound, factor=None, dice=dice, n=200_000) for _ in range(4)],
        axis=0,
    )
    combined, low, high = drawn_bounds(drawn)
    assert combined == pytest.approx(2.0, abs=0.01)
    assert (low, high) == (pytest.approx(-3.88, abs=0.05), pytest.approx(3.88, abs=0.05))


def test_draws_are_the_same_each_time():
    """The same readings give the same answer."""
    one, two = (drawn_reading(1.0, bound=0.1, factor=2.0, dice=bench_dice("a")) for _ in range(2))
    assert len(one) == DRAW_COUNT
    assert np.array_equal(one, two)
