"""The Live picture: drawn anew when that can be seen, and only then."""

import pytest
from playwright.sync_api import Browser

from tests.support.browser import module_script

pytestmark = pytest.mark.browser
DRAWN = f"""async ([window_s, frames]) => {{
  const {{ LivePicture }} = {module_script("live/picture.mjs")};
  document.body.insertAdjacentHTML('beforeend', '<div id="live-sheet"></div>');
  const drawn = {{ plots: 0, tips: 0 }};
  const picture = new LivePicture();
  picture.plotly = {{ react: () => drawn.plots++ }};
  picture.sheet = {{ plotW: 1000, setMeta: () => 0, draw: () => drawn.tips++ }};
  picture.setSheet({{ data: [], layout: {{ shapes: [], xaxis: {{}}, meta: {{ lane: [], rows: [], size: [1, 1] }} }} }});
  for (const [now, count] of frames) {{
    picture.addBins({{ isWhole: false, channels: 1, count, now, start: 0, width: 5, newest: [0, 0],
      bins: new Float32Array(3 * count) }});
    picture.draw(window_s, false);
  }}
  return drawn;
}}"""  # noqa: E501 - a line of script


def test_a_long_window_is_drawn_when_something_can_be_seen(browser: Browser, serve, tmp_path):
    """An hour in 1000 pixels: with each bin or half a pixel; newest values with each message."""
    page = browser.new_page()
    page.goto(f"{serve(tmp_path)}/replay")
    page.wait_for_selector("nav")
    messages = [(4000.0 + k / 8, 1 if k % 40 == 39 else 0) for k in range(80)]
    long = page.evaluate(DRAWN, [3600, messages])
    assert long["tips"] == 80
    assert 3 <= long["plots"] <= 12
    short = page.evaluate(DRAWN, [60, messages])
    assert short["plots"] == 80
    page.close()
