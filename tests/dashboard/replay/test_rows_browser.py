"""Rows chosen in Replay, and a fault that chatters all along, as a person meets them."""

import re
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
START_NS = 1_795_000_000_000_000_000
FAULTS = 3000
PLACES = ("winding", "housing", "bearing", "oil")
VALUES = "".join(
    f'  [[frame.value]]\n  channel = "{channel}"\n  byte = {byte}\n  bits = 8\n'
    for byte, channel in enumerate(
        [f"temperature_{place}_degC" for place in PLACES] + ["torque_Nm", "torque_sensor_Nm"]
    )
)
LAYOUT = f"""
format = 1
name = "l"
[[frame]]
name = "status"
identifier = 0x10
length = 7
{VALUES}
  [[frame.value]]
  channel = "fault_code"
  byte = 6
  bits = 8
  flags = {{ 2 = "current limited" }}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with a recording of one joint whose fault comes and goes every second row."""
    at = np.arange(2 * FAULTS + 1)
    data = np.full((len(at), 8), 40, np.uint8)
    data[:, 6] = np.where(at % 2, 4, 0)
    frames = FrameBatch.from_rows(
        [
            (START_NS + int(row) * 10**8, 0x10, 0, bytes(payload[:7]))
            for row, payload in zip(at, data, strict=True)
        ]
    )
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
        {"l": LAYOUT},
        where="bench.toml",
    )
    import_frames(
        [frames], bench=bench, limits=parse_limits("format = 1\n", "limits.toml"),
        out=tmp_path / "chatter", name="chatter", start_ns=START_NS,
    )  # fmt: skip
    return tmp_path


ANSWERS_LATE = """() => {
  const fetchNow = window.fetch;
  window.fetch = async (...asked) => {
    await new Promise((done) => setTimeout(done, 800));
    return fetchNow(...asked);
  };
}"""


def _titles(page: Page) -> list[str]:
    return page.evaluate(
        "() => document.querySelector('#past-rows .plot').layout.meta.rows.map((row) => row.title)"
    )


def test_rows_are_chosen_and_chatter_is_blocks(browser: Browser, serve, folder: Path, until):
    """By keyboard, in place; the address opens the same rows; thousands of faults are one path."""
    address = serve(folder)
    page = browser.new_page(viewport={"width": 390, "height": 844})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{address}/replay/chatter?span0=0&span1=600")
    expect(page.locator("#past-rows[data-drawn]")).to_be_visible(timeout=PATIENCE_MS)
    words = page.locator("#past-rows-words")
    expect(words).to_have_text("Rows: temperature (winding), torque, faults")
    expect(page.locator("#past-rows .over")).to_contain_text("current limited: 3 000 times, 50 %")
    assert page.locator("#past-rows svg.over .flag").count() == 1
    assert page.locator("#past-opened svg *").count() < 500
    expect(page.locator("#past-span")).to_contain_text("3 000 times, 50 % of the time")

    change = page.get_by_role("button", name="Change which rows are shown")
    change.press("Enter")
    expect(change).to_have_attribute("aria-expanded", "true")
    box = page.get_by_role("checkbox", name="temperature", exact=True)
    expect(box).to_be_focused()
    box.press("Space")
    until(lambda: _titles(page) == ["Temperature"] * 4 + ["Torque", "Faults"], "a row a place")
    # The answer to one choice comes while the next is made: it takes nothing of it back.
    page.evaluate(ANSWERS_LATE)
    page.get_by_role("checkbox", name="faults").uncheck()
    page.get_by_role("checkbox", name="torque, sensor").check()
    until(lambda: _titles(page) == ["Temperature"] * 4 + ["Torque"], "no faults")
    page.get_by_role("checkbox", name="temperature", exact=True).uncheck()
    until(lambda: _titles(page) == ["Torque"], "nothing but torque")
    expect(page.locator("#past-rows .plot")).to_contain_text("dashed: sensor")
    until(lambda: "faults" not in page.locator("#past-span").inner_text(), "the span follows")
    expect(page).to_have_url(re.compile(r"&rows=torque$"), timeout=PATIENCE_MS)
    page.keyboard.press("Escape")
    expect(change).to_be_focused()
    width = "document.documentElement.scrollWidth"
    assert page.evaluate(width) <= 390

    again = browser.new_page(viewport={"width": 1440, "height": 900})
    again.goto(page.url)
    expect(again.locator("#past-rows-words")).to_have_text("Rows: torque", timeout=PATIENCE_MS)
    assert again.evaluate(width) <= 1440
    assert not faults
    again.close()
    page.close()
