"""Bands are steps and end at a gap, in Python and in the browser alike."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import Browser

from dashboard.figures.axes import Pen
from dashboard.figures.lines import Band, row_traces, spread_band, step_line, step_outlines
from dashboard.figures.row_plan import plan_rows
from dashboard.row_data import cycle_reach
from dashboard.text.theme import LIGHT
from tests.support.browser import module_script

HELD = st.lists(st.booleans(), max_size=30)
# What the browser makes of bins (first extreme, second extreme, mean); None: nothing is held.
FILLED = f"""async ([bins, reach]) => {{
  const store = new ({module_script("live/store.mjs")}.BinStore)();
  const flat = bins.flatMap((b) => b === null ? [NaN, NaN, NaN] : b);
  store.add({{ isWhole: true, channels: 1, count: bins.length, now: bins.length, start: 0, width: 1,
    newest: [0, 0], bins: new Float32Array(flat) }});
  return ['fill', 'mean'].map((role) => {{
    const trace = {{ meta: {{ at: 0, role, reach }} }};
    store.fillTrace(trace);
    return [trace.x, trace.y];
  }});
}}"""


def _band(held: list[bool]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    edges = np.arange(len(held) + 1.0)
    here = np.array(held, bool)
    level = edges[:-1] + 0.5
    return edges, np.where(here, -1.0 - level, np.nan), np.where(here, 1.0 + level, np.nan)


@given(HELD)
def test_nothing_is_filled_across_a_gap(held: list[bool]):
    """Each polygon spans one run without a gap, there and back, and all runs have one."""
    edges, low, high = _band(held)
    along, level = step_outlines(edges, low, high)
    np.testing.assert_array_equal(np.isnan(along), np.isnan(level))
    breaks = np.flatnonzero(np.isnan(along))
    polygons = np.split(along, breaks) if len(along) else []
    covered: list[float] = []
    for polygon in polygons:
        points = polygon[~np.isnan(polygon)]
        np.testing.assert_array_equal(points, points[::-1])
        assert np.abs(np.diff(points)).max(initial=0.0) <= 1.0
        covered += points[: len(points) // 2 - 1].tolist()
    assert covered == edges[:-1][held].tolist()


def _steps(x: np.ndarray, y: np.ndarray) -> dict[float, set[float]]:
    """Return the levels of the horizontal pieces at each bucket's middle, horizontal first."""
    found: dict[float, set[float]] = {}
    for x0, x1, level in zip(x[:-1], x[1:], y[:-1], strict=True):
        if not np.isnan([x0, x1, level]).any():
            for middle in np.arange(min(x0, x1) + 0.5, max(x0, x1), 1.0):
                found.setdefault(float(middle), set()).add(float(level))
    return found


@given(HELD)
def test_each_bucket_is_a_step_at_its_own_extremes(held: list[bool]):
    """Over its whole width, neither sloped to the next one nor at a neighbour's height."""
    edges, low, high = _band(held)
    steps = _steps(*step_outlines(edges, low, high))
    wanted = {float(edges[i]) + 0.5: {low[i], high[i]} for i in range(len(held)) if held[i]}
    assert steps == wanted
    mean = _steps(*step_line(edges, (low + 3 * high) / 4))
    assert mean == {at: {(min(both) + 3 * max(both)) / 4} for at, both in wanted.items()}


@given(HELD, st.integers(0, 3))
def test_an_envelope_loses_no_extreme_and_fills_no_gap(held: list[bool], reach: int):
    """Each step has the extremes of its neighbours as well; where nothing is held is no step."""
    edges, low, high = _band(held)
    band = Band(
        pen=Pen(joint="a", number=1, channel="torque_Nm"),
        edges=edges, minimum=low, maximum=high, mean=(low + high) / 2,
    )  # fmt: skip
    spread = spread_band(band, reach)
    assert np.isfinite(spread.maximum).tolist() == np.isfinite(spread.mean).tolist() == held
    for place, here in enumerate(held):
        if here:
            # Only those of its run: what lies beyond a gap may be about another zero.
            near = [
                other
                for other in range(max(place - reach, 0), min(place + reach + 1, len(held)))
                if all(held[min(place, other) : max(place, other) + 1])
            ]
            assert spread.minimum[place] == low[near].min()
            assert spread.maximum[place] == high[near].max()


@pytest.mark.parametrize(("cycle_px", "reach"), [(1.5, 0), (4.0, 1), (5.5, 1), (12.0, None)])
def test_cycles_of_a_few_pixels_are_an_envelope(cycle_px: float, reach: int | None):
    """A line of them would be a patch of ink; the band of bins and their neighbours is flat."""
    (row,) = plan_rows({"a": ["torque_Nm"]}, {})
    at = np.arange(0.0, 600.0, 0.01)
    values = 20.0 * np.sin(2 * np.pi * at / cycle_px)
    bins = values.reshape(-1, 200)
    low, high = bins.min(axis=1), bins.max(axis=1)
    found = cycle_reach(row, low, high, 2.0)
    assert found == reach
    if found:
        band = Band(
            pen=row.pens[0], edges=np.arange(len(low) + 1.0), minimum=low, maximum=high,
            mean=bins.mean(axis=1),
        )  # fmt: skip
        spread = spread_band(band, found)
        assert spread.maximum[1:-1].min() > 0.85 * 20.0
        assert np.abs(spread.mean).max() < np.abs(band.mean).max()


def _traces(number: int) -> list[dict]:
    edges, low, high = _band([True, True, False, True, True])
    band = Band(
        pen=Pen(joint="a", number=number, channel="torque_Nm"),
        edges=edges, minimum=low, maximum=high, mean=(low + high) / 2,
    )  # fmt: skip
    return row_traces([band, band], axis="y", theme=LIGHT, width=1.6)


def test_a_band_is_what_it_fills_and_its_mean():
    """In steps, horizontal first; no trace fills up to another: that would go on over a gap."""
    traces = _traces(1)
    assert [trace.get("fill") for trace in traces] == ["toself", "toself", None, None]
    assert {trace["line"]["shape"] for trace in traces} == {"hv"}
    assert traces[0]["x"] == [0.0, 1.0, 2.0, 2.0, 1.0, 0.0, None, 3.0, 4.0, 5.0, 5.0, 4.0, 3.0]
    assert traces[0]["y"] == [
        1.5, 2.5, 2.5, -2.5, -1.5, -1.5, None, 4.5, 5.5, 5.5, -5.5, -4.5, -4.5
    ]  # fmt: skip


def test_no_mean_lies_under_a_band():
    """Every fill comes before every mean, whichever joint they are of."""
    assert [trace["meta"]["role"] for trace in _traces(2)] == ["fill", "fill", "mean", "mean"]


@pytest.mark.browser
def test_the_browser_fills_the_same(browser: Browser, nothing_recorded: str):
    """What Live draws from its bins is what Replay is sent."""
    page = browser.new_page()
    page.goto(nothing_recorded)
    for held, reach in (
        ([], 0), ([False], 1), ([True], 0), ([True, True, False, True], 0),
        ([False, True, True, False, False], 0), ([True, True, True, False, True, True], 1),
    ):  # fmt: skip
        edges, low, high = _band(held)
        mean = (low + 3 * high) / 4
        band = Band(
            pen=Pen(joint="a", number=1, channel="torque_Nm"),
            edges=edges, minimum=low, maximum=high, mean=mean,
        )  # fmt: skip
        drawn = spread_band(band, reach)
        bins = [
            [a, b, m] if here else None
            for here, a, b, m in zip(held, low.tolist(), high.tolist(), mean.tolist(), strict=True)
        ]
        wanted = [
            [[None if value != value else value for value in part.tolist()] for part in points]  # noqa: PLR0124
            for points in (
                step_outlines(edges, drawn.minimum, drawn.maximum), step_line(edges, drawn.mean)
            )
        ]  # fmt: skip
        assert page.evaluate(FILLED, [bins, reach]) == wanted
    page.close()
