"""The units switch as a person meets it."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
DEMO = Path(__file__).parents[3] / "recordings" / "demo-overheat"


def test_the_switch_is_kept_and_followed(browser: Browser, serve_once):
    """Chosen once, by keyboard too; Replay, Live and another tab follow, and a reload keeps it."""
    address = serve_once(DEMO.parent)
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page, other = context.new_page(), context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    for one in (page, other):
        one.goto(f"{address}/replay/demo-overheat?from=600&to=660&span0=610&span1=620")
        expect(one.locator("#past-rows .annotation", has_text="Speed")).to_contain_text(
            "°/s", timeout=PATIENCE_MS
        )
    page.get_by_role("button", name="Units").click()
    page.get_by_role("group", name="Speeds").get_by_role("button", name="rpm").click()
    page.get_by_role("group", name="Angles").get_by_role("button", name="rad", exact=True).press(
        "Enter"
    )
    expect(page.locator('#units [data-unit="rpm"]')).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("Escape")
    for one in (page, other):
        speed = one.locator("#past-rows .annotation", has_text="Speed")
        expect(speed).to_contain_text("rpm", timeout=PATIENCE_MS)
        expect(one.locator("#past-span")).to_contain_text("Speedrpm", timeout=PATIENCE_MS)
        expect(one.locator("#past-span")).to_contain_text("Positionrad")
    page.reload()
    expect(page.locator("#past-rows .annotation", has_text="Position")).to_have_text(
        re.compile(r"Position.*rad"), timeout=PATIENCE_MS
    )
    assert faults == []
    context.close()


def test_live_follows(browser: Browser, bench, serve):
    """The rows of Live are drawn anew in the chosen units, and go on."""
    bench.joints()
    bench.logger()
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(serve(bench.recordings))
    row = page.locator("#live-sheet .annotation", has_text="Speed")
    expect(row).to_contain_text("°/s", timeout=PATIENCE_MS)
    page.get_by_role("button", name="Units").click()
    page.get_by_role("group", name="Speeds").get_by_role("button", name="rad/s").click()
    page.get_by_role("button", name="Close").click()
    expect(row).to_contain_text("rad/s", timeout=PATIENCE_MS)
    most = page.evaluate(
        "Math.max(...document.querySelector('#live-sheet .plot').data"
        ".filter((t) => t.meta.channel === 'speed_rad_s').flatMap((t) => t.y.map(Math.abs)))"
    )
    assert most < 12
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.close()
