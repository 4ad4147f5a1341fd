"""Live with many joints in a browser: tiles, which of them are drawn, alerts in two lines."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from logger.limits.limit import parse_limits
from logger.recording.record_settings import RecordSettings
from tests.support import many_joints
from tests.support.recorder import Recorder

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
RATE_HZ = 10.0


def drawn(page: Page) -> list[str]:
    """Return the joints whose tiles are pressed, in the order of their places."""
    pressed = page.locator('.tile[aria-pressed="true"]')
    return [str(name) for name in pressed.evaluate_all("all => all.map(t => t.dataset.joint)")]


def test_twenty_four_joints(browser: Browser, serve, until, tmp_path: Path):
    """The tripped one first; a click and a key draw a joint, a fifth is refused."""
    settings = RecordSettings(
        bench=many_joints.bench(tmp_path, rate_Hz=RATE_HZ),
        where="bench.toml",
        limits=parse_limits(many_joints.LIMITS, "limits.toml"),
        out=tmp_path / "rec",
        name="Four arms",
    )
    with many_joints.play_joints(tmp_path, rate_Hz=RATE_HZ):
        recorder = Recorder(settings)
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        try:
            page.goto(serve(tmp_path))
            tiles = page.locator("#live-tiles")
            first = tiles.locator(".tile").first
            expect(first).to_have_attribute("data-joint", "south-shoulder", timeout=PATIENCE_MS)
            expect(first.locator(".state")).to_have_text("Trip")
            expect(tiles.locator(".tile")).to_have_count(24)
            gripper = tiles.locator('.full [data-joint="east-gripper"] .state')
            expect(gripper).to_have_class("state none", timeout=PATIENCE_MS)
            expect(gripper).to_have_text("Heat not known")
            trend = tiles.locator('.full [data-joint="north-elbow"] .model')
            expect(trend).to_have_text("no model: straight trend", timeout=PATIENCE_MS)
            quiet = tiles.locator('.quiet [data-joint="west-gripper"]')
            expect(quiet.locator(".state")).to_be_hidden()
            expect(quiet.locator(".far")).to_have_text("31.9°C")
            expect(page.locator("#live-buses .bus")).to_have_count(4)

            drawing = page.locator("#live-drawing")
            expect(drawing).to_contain_text("3 of 24 drawn, 21 not: choose a tile to draw it")
            page.wait_for_selector("#live-sheet[data-drawn]", timeout=PATIENCE_MS)
            quiet.click()
            expect(drawing).to_contain_text("4 of 24 drawn", timeout=PATIENCE_MS)
            assert "west-gripper" in drawn(page)
            expect(
                page.locator("#live-sheet .over .who", has_text="west gripper")
            ).not_to_have_count(0, timeout=PATIENCE_MS)
            tiles.locator('[data-joint="west-base"]').click()
            expect(drawing).to_contain_text("Four are drawn")
            page.keyboard.press("t")
            expect(first).to_be_focused()
            page.keyboard.press("Enter")
            expect(drawing).to_contain_text("3 of 24 drawn", timeout=PATIENCE_MS)
            assert "south-shoulder" not in drawn(page)
            page.locator("#live-urgent").click()
            expect(first).to_have_attribute("aria-pressed", "true", timeout=PATIENCE_MS)
            assert "west-gripper" not in drawn(page)

            alerts = page.locator("#live-alerts .alert")
            expect(page.locator("#live-alerts [aria-expanded]")).to_have_text(
                "One by one", timeout=PATIENCE_MS
            )
            expect(alerts).to_have_count(2)
            expect(alerts.first).to_contain_text("Trip: south shoulder")
            page.keyboard.press("o")
            expect(page.locator("#live-alerts [aria-expanded]")).to_have_text("Together")
            expect(page.locator("#live-alerts .alert.abnormal")).not_to_have_count(0)
            assert alerts.count() > 2
            page.keyboard.press("o")
            expect(alerts).to_have_count(2)

            page.set_viewport_size({"width": 390, "height": 844})
            until(
                lambda: page.evaluate("document.documentElement.scrollWidth <= innerWidth"),
                "a narrow page that is no wider than its screen",
            )
        finally:
            page.close()
            recorder.end()
