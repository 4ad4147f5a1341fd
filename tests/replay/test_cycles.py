"""Cycles that are too narrow for a picture are told from moves that are not."""

import numpy as np
import pytest

from replay.cycles import are_cycles_narrow, cycle_width, group_extremes


@pytest.mark.parametrize(("period_s", "narrow"), [(1.0, True), (40.0, False)])
def test_whole_cycles_in_each_bucket_are_narrow(*, period_s: float, narrow: bool):
    """Buckets of two seconds: a sine of one second fills each, one of forty seconds does not."""
    wave = np.sin(2 * np.pi * np.arange(0, 400, 0.05) / period_s).reshape(-1, 40)
    assert are_cycles_narrow(wave.min(axis=1), wave.max(axis=1)) is narrow


def test_moves_and_calm_traces_have_no_cycles():
    """A ramp, a constant, and a flicker of one count below what counts as a span."""
    assert not are_cycles_narrow(np.arange(50.0), np.arange(50.0) + 1)
    assert not are_cycles_narrow(np.full(50, 1.0), np.full(50, 1.0))
    flicker = np.zeros(50), np.ones(50)
    assert are_cycles_narrow(*flicker)
    assert not are_cycles_narrow(*flicker, least=20.0)


def test_groups_with_a_gap_are_left_out():
    """Extremes over two bins each; the group with a NaN and the odd bin at the end are gone."""
    ends = np.array([[1.0, 3.0], [5.0, 2.0], [np.nan, 4.0], [0.0, 9.0], [7.0, -1.0], [6.0, 8.0],
                     [0.0, 0.0]])  # fmt: skip
    low, high = group_extremes(ends, 2)
    assert low.tolist() == [1.0, -1.0]
    assert high.tolist() == [5.0, 8.0]
    assert [len(part) for part in group_extremes(ends[:1], 2)] == [0, 0]


@pytest.mark.parametrize(("period", "width"), [(2.7, 2.7), (6.0, 6.0), (25.0, 25.0)])
def test_a_cycle_is_as_wide_as_from_rise_to_rise(period: float, width: float):
    """Of a sine in buckets; a gap in it and a spike beside it change nothing."""
    wave = np.sin(2 * np.pi * np.arange(0, 400, 0.02) / period).reshape(-1, 50)
    low, high = wave.min(axis=1), wave.max(axis=1)
    low[200:210] = high[200:210] = np.nan
    high[300] = 40.0
    assert cycle_width(low, high) == pytest.approx(width, abs=0.5)


def test_what_does_not_cycle_has_no_width():
    """A ramp, a few moves in a long rest, a flicker of one count, nothing at all."""
    moves = np.zeros(400)
    moves[[10, 14, 18, 22, 26, 30]] = 5.0
    flicker = np.tile([1.0, 2.0], 100)
    for trace in (np.arange(50.0), moves, np.full(50, np.nan)):
        assert np.isnan(cycle_width(trace, trace))
    assert np.isnan(cycle_width(flicker, flicker, least=5.0))
    assert cycle_width(flicker, flicker) == 2.0
