"""Bands end at a gap: one polygon a stretch, in Python and in the browser alike."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import Browser

from dashboard.figures.axes import Pen
from dashboard.figures.lines import Band, band_outlines, plotly_traces
from dashboard.text.theme import LIGHT
from tests.support.browser import module_script

HELD = st.lists(st.booleans(), max_size=30)
# What the browser makes of bins (first extreme, second extreme, mean); None: nothing is held.
FILLED = f"""async (bins) => {{
  const store = new ({module_script("live/store.mjs")}.BinStore)();
  const flat = bins.flatMap((b) => b === null ? [NaN, NaN, NaN] : b);
  store.add({{ isWhole: true, channels: 1, count: bins.length, now: bins.length, start: 0, width: 1,
    newest: [0, 0], bins: new Float32Array(flat) }});
  const trace = {{ meta: {{ at: 0, role: 'fill', group: 1 }} }};
  store.fillTrace(trace);
  return [trace.x, trace.y];
}}"""


def _band(held: list[bool]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x = np.arange(len(held)) + 0.5
    here = np.array(held, bool)
    return x, np.where(here, -1.0 - x, np.nan), np.where(here, 1.0 + x, np.nan)


@given(HELD)
def test_nothing_is_filled_across_a_gap(held: list[bool]):
    """Each polygon spans one stretch without a gap, and all stretches have one."""
    x, low, high = _band(held)
    along, level = band_outlines(x, low, high)
    np.testing.assert_array_equal(np.isnan(along), np.isnan(level))
    breaks = np.flatnonzero(np.isnan(along))
    polygons = np.split(along, breaks) if len(along) else []
    covered: list[float] = []
    for polygon in polygons:
        points = polygon[~np.isnan(polygon)]
        np.testing.assert_array_equal(points, points[::-1])
        assert np.abs(np.diff(points)).max(initial=0.0) <= 1.0
        covered += points[: len(points) // 2].tolist()
    assert covered == x[held].tolist()


def test_a_band_is_what_it_fills_and_its_three_lines():
    """No trace fills up to another: that would go on over a gap."""
    x, low, high = _band([True, True, False, True, True])
    band = Band(
        pen=Pen(joint="a", number=1, channel="torque_Nm"),
        x=x, minimum=low, maximum=high, mean=(low + high) / 2,
    )  # fmt: skip
    traces = plotly_traces(band, axis="y", theme=LIGHT, width=1.6)
    assert [trace["meta"]["role"] for trace in traces] == ["fill", "max", "min", "mean"]
    assert [trace.get("fill") for trace in traces] == ["toself", None, None, None]
    assert traces[0]["x"] == [0.5, 1.5, 1.5, 0.5, None, 3.5, 4.5, 4.5, 3.5]
    assert traces[0]["y"] == [1.5, 2.5, -2.5, -1.5, None, 4.5, 5.5, -5.5, -4.5]


@pytest.mark.browser
def test_the_browser_fills_the_same(browser: Browser, serve, tmp_path):
    """What Live draws from its bins is what Replay is sent."""
    page = browser.new_page()
    page.goto(serve(tmp_path))
    for held in ([], [False], [True], [True, True, False, True], [False, True, True, False, False]):
        x, low, high = _band(held)
        bins = [
            [a, b, (a + b) / 2] if here else None
            for here, a, b in zip(held, low.tolist(), high.tolist(), strict=True)
        ]
        wanted = [
            [None if value != value else value for value in part.tolist()]  # noqa: PLR0124
            for part in band_outlines(x, low, high)
        ]
        assert page.evaluate(FILLED, bins) == wanted
    page.close()
