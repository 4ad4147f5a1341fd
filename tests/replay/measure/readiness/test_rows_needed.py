"""Passes and holds counted as rows come: each once, by the evaluations' own finding."""

from dataclasses import replace

import numpy as np
import pytest

from replay.measure.kinds.friction import ENOUGH_PAIRS
from replay.measure.readiness.needed import needed_text, paced_s
from replay.measure.readiness.rows_needed import CountedRows
from replay.measure.setup import SpanTrace
from tests.support.benches.ceiling_bench import draw_ceiling_bench
from tests.support.benches.friction_bench import draw_friction_bench


def _part(span: SpanTrace, start_s: float, end_s: float) -> SpanTrace:
    series = {
        name: (at[kept := (at >= start_s) & (at < end_s)], values[kept])
        for name, (at, values) in span.series.items()
    }
    return replace(span, series=series)


def _counted(span: SpanTrace, chunk_s: float, length_s: float) -> CountedRows:
    counted, again_s, now_s = CountedRows(), 0.0, 0.0
    while now_s < length_s:
        now_s = min(now_s + chunk_s, length_s)
        again_s = max(counted.add_rows(_part(span, again_s, now_s), now_s), again_s)
    return counted


@pytest.mark.parametrize("chunk_s", [7.0, 20.0, 1000.0])
def test_passes_are_counted_once_in_any_chunking(chunk_s):
    """Three pairs of 13 s: two more are missing, and take as long as two did."""
    setup, _ = draw_friction_bench(np.random.default_rng(2), pairs=3)
    span = setup.spans[0]
    length_s = float(span.channel("position_rad")[0][-1]) + 1.0
    needed = _counted(span, chunk_s, length_s).needed_pairs()
    assert (needed.have, needed.wants) == (3, ENOUGH_PAIRS)
    pair_s = 2.0 * (2.0 * np.pi + 0.5)
    assert needed.left_s == pytest.approx(2.0 * pair_s, rel=0.02)
    assert "2 more pairs" in needed_text(needed)


def test_a_pass_that_goes_on_is_not_counted_yet():
    """The second pair is counted with its end, not before."""
    setup, _ = draw_friction_bench(np.random.default_rng(2), pairs=2)
    span = setup.spans[0]
    end_s = float(span.channel("position_rad")[0][-1])
    rows = CountedRows()
    rows.add_rows(_part(span, 0.0, end_s - 1.0), end_s - 1.0)
    assert rows.needed_pairs().have == 1
    rows.add_rows(_part(span, rows.pairs_end_s, end_s), end_s + 1.0)
    assert rows.needed_pairs().have == 2


def test_holds_are_counted_by_mode():
    """Six of sixteen, two seconds apart: ten more take twenty seconds; none: nothing is begun."""
    setup = draw_ceiling_bench(np.random.default_rng(1), cause="current", holds=6)
    counted = CountedRows()
    for number, span in enumerate(setup.spans):
        counted.add_rows(span, 2.0 * number + 2.0)
    needed = counted.needed_holds()
    assert (needed.have, needed.is_enough, counted.holds.keys()) == (6, False, {"torque"})
    assert needed.left_s == pytest.approx(20.0, abs=0.5)
    assert not CountedRows().needed_holds().is_begun


def test_the_pace_is_the_usual_distance():
    """A pause is none of it, and one alone has none."""
    assert paced_s([0.0, 2.0, 4.0, 100.0, 102.0], 3) == 6.0
    assert paced_s([5.0], 3) is None
    assert paced_s([5.0], 0) == 0.0
