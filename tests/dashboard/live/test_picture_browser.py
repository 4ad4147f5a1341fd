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
  (await {module_script("plotly.mjs")}.plotly).react = () => drawn.plots++;
  picture.sheet = {{ plotW: 1000, setMeta: () => 0, draw: () => drawn.tips++ }};
  picture.setSheet({{ data: [], layout: {{ shapes: [], xaxis: {{}}, meta: {{ lane: [], rows: [], size: [1, 1] }} }} }});
  for (const [now, count] of frames) {{
    picture.addBins({{ isWhole: false, channels: 1, count, now, start: 0, width: 5, newest: [0, 0],
      bins: new Float32Array(3 * count) }});
    picture.draw(window_s, false);
  }}
  return drawn;
}}"""  # noqa: E501 - a line of script


def test_a_long_window_is_drawn_when_something_can_be_seen(browser: Browser, nothing_recorded: str):
    """An hour in 1000 pixels: with each bin or half a pixel; newest values with each message."""
    page = browser.new_page()
    page.goto(f"{nothing_recorded}/replay")
    page.wait_for_selector("nav")
    messages = [(4000.0 + k / 8, 1 if k % 40 == 39 else 0) for k in range(80)]
    long = page.evaluate(DRAWN, [3600, messages])
    assert long["tips"] == 80
    assert 3 <= long["plots"] <= 12
    short = page.evaluate(DRAWN, [60, messages])
    assert short["plots"] == 80
    page.close()


AHEAD = f"""async () => {{
  const {{ LivePicture }} = {module_script("live/picture.mjs")};
  document.body.insertAdjacentHTML('beforeend', '<div id="live-sheet"></div>');
  const picture = new LivePicture();
  (await {module_script("plotly.mjs")}.plotly).react = () => 0;
  const pens = [{{ pen: 1, joint: 'a', label: 'a', channel: 't' }}];
  const rows = [{{ range: [20, 90], domain: [0, 1], unit: '°C', decimals: 0, pens, flags: [] }}];
  const limits = [{{ row: 0, y: 70, texts: ['warning 70'], pen: null, mark: 'abnormal' }}];
  const meta = {{ lane: [], rows, limits, size: [1200, 300], margin: [100, 100, 20, 60], text: 11, title: 18,
    form: 'normal', epoch_ms: 0, zone: 'UTC' }};
  const tint = {{ type: 'rect', xref: 'x domain', x0: 0, x1: 1 }};
  picture.setSheet({{ data: [], layout: {{ shapes: [tint], xaxis: {{}}, meta }} }});
  picture.addBins({{ isWhole: false, channels: 1, count: 1, now: 300, start: 0, width: 5, newest: [0, 60],
    bins: new Float32Array(3) }});
  const course = {{ channel: 't', joint: 'a', pen: 1, at: [300, 360, 480], low: [60, 66, 70], median: [60, 70, 76],
    high: [60, 72, 80] }};
  picture.draw(300, false, [course]);
  const texts = [...document.querySelectorAll('#live-sheet text')].map((one) => one.textContent);
  const drawn = (selector) => document.querySelectorAll('#live-sheet ' + selector).length;
  const range = picture.figure.layout.xaxis.range;
  picture.draw(300, true, [course]);
  return {{ range, tint: picture.figure.layout.shapes[0].x1, texts, line: drawn('.ahead'), ended: picture.view }};
}}"""  # noqa: E501 - lines of script


def test_what_is_ahead_takes_a_fifth_of_the_width(browser: Browser, nothing_recorded: str):
    """On the same scale, with the time at which it meets a limit; nothing once it has stopped."""
    page = browser.new_page()
    page.goto(f"{nothing_recorded}/replay")
    page.wait_for_selector("nav")
    drawn = page.evaluate(AHEAD)
    assert drawn["range"] == [0, 375]
    assert {"now", "1.0 min", "71"} <= set(drawn["texts"])
    assert drawn["ended"] == [0, 300]
    assert drawn["tint"] == 1
    assert drawn["line"] == 0
    page.close()
