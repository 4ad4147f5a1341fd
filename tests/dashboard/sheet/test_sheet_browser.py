"""The Data sheet page as a person meets it, in a real browser against a real server."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from logger.store.repair.keep_finding import keep_finding
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS

pytestmark = pytest.mark.browser
PATIENCE_MS = 60_000


def test_a_sheet_is_read_and_another_put_beside_it(browser: Browser, serve, tmp_path: Path):
    """Sentence, line, verdicts, links; a joint beside it; narrow, printed; and on to the traces."""
    claims = "[joint.claims]\nbacklash_arcmin = 12.0\nmass_kg = 0.61\n"
    for day, (serial, value) in enumerate([("A-1", 10.0), ("B-2", 14.0)]):
        recording = small_recording(
            tmp_path / f"day{day}",
            start_ns=START_NS + day * 86_400 * S,
            settings=f'serial = "{serial}"\n{claims}',
        )
        keep_finding(recording.path, play_finding(recording, value))
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve(tmp_path)}/sheet")
    expect(page.locator("#datasheet[data-state=shown]")).to_be_visible(timeout=PATIENCE_MS)
    told = page.locator("#datasheet .answer-sentence")
    expect(told).to_have_text(
        "Of two claims a meets 1 and falls short of 0; 1 is not measured yet."
    )
    rows = page.locator("#datasheet-rows .claim:not(.head)")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("meets it")
    bar, line = (rows.first.locator(f".plumb .{part}").bounding_box() for part in ("bar", "said"))
    assert bar["x"] > line["x"] + 10, "better hangs right of the claim"
    expect(rows.first.get_by_role("link", name="day0")).to_have_attribute(
        "href", "/replay/day0?span0=2.000&span1=8.000"
    )
    expect(page.locator("#datasheet-differences .difference")).to_have_count(0)
    page.locator("#datasheet-other").select_option("B-2")
    expect(page.locator("#datasheet-differences")).to_contain_text("more than chance")
    expect(page).to_have_url(re.compile(r"/sheet\?other=B-2$"))
    expect(page.locator("#datasheet-other")).to_be_hidden()
    page.get_by_role("button", name="Take a B-2 away").click()
    expect(page.locator("#datasheet-differences .difference")).to_have_count(0)
    page.locator("#datasheet-other").select_option("B-2")
    traces = page.get_by_role("link", name="traces over each other")
    expect(traces).to_have_attribute("href", re.compile(r"^/replay/day0\?.*over=day1"))
    page.locator("#datasheet-joints").get_by_role("button", name="a B-2").click()
    expect(told).to_contain_text("falls short of 1")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save as CSV").click()
    assert Path(saved.value.path()).read_text().startswith("specimen,joint,serial")
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.emulate_media(media="print")
    expect(page.locator(".printed")).to_be_visible()
    expect(page.locator(".masthead")).to_be_hidden()
    page.emulate_media(media="screen")
    page.set_viewport_size({"width": 1440, "height": 900})
    page.locator("#datasheet-joints").get_by_role("button", name="a A-1").click()
    page.locator("#datasheet-other").select_option("B-2")
    traces.click()
    expect(page.locator("#past-laid")).to_contain_text("day1", timeout=PATIENCE_MS)
    found = page.locator("#past-findings").get_by_role("button")
    expect(found).to_have_count(1)
    expect(found).to_contain_text("backlash of a backlash 10.0 (8.6 to 11.4) arcmin")
    page.get_by_role("button", name="whole test").click()
    found.click()
    expect(page).to_have_url(re.compile(r"from=1&to=9.*span0=2&span1=8&"))
    assert not faults
    page.close()
