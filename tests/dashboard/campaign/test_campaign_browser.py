"""The Campaign page as a person meets it, in a real browser against a real server."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.support.made_campaign import MadePart, write_campaign_part
from tests.support.text_overlaps import text_overlaps

pytestmark = pytest.mark.browser
PATIENCE_MS = 60_000


def test_a_campaign_is_read_and_a_change_followed_into_replay(
    browser: Browser, serve, tmp_path: Path
):
    """Nothing to show; sentence, picture with a fold, the address, narrow; on to Replay."""
    page = browser.new_page(viewport={"width": 1440, "height": 1000})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    address = serve(tmp_path)
    page.goto(f"{address}/campaign")
    expect(page.locator("#campaign-empty")).to_contain_text("dutytrace plan check plan.toml")
    write_campaign_part(tmp_path / "first", MadePart(first_h=0.0, last_h=100.0))
    write_campaign_part(tmp_path / "second", MadePart(first_h=120.0, last_h=220.0, step_h=170.0))
    page.goto(f"{address}/campaign/second")
    shown = page.locator("#campaign[data-state=shown] .campaign-picture")
    expect(shown).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#campaign .answer-sentence")).to_contain_text("friction rose by")
    expect(page).to_have_url(re.compile(r"/campaign/first\?joint=a$"))
    rows = shown.locator(".figure-row")
    expect(rows).to_have_count(3)
    expect(shown.get_by_role("link", name="Friction +")).to_have_count(1)
    fold = shown.get_by_role("link", name="Pause of 20 h, not recorded")
    expect(fold).to_have_attribute("href", re.compile(r"^/replay/first\?"))
    assert text_overlaps(page) == []
    page.keyboard.press("l")
    expect(page).to_have_url(re.compile(r"shown=came$"))
    expect(shown.locator(".level")).to_have_count(0)
    page.reload()
    expect(page.get_by_role("button", name="as it came")).to_have_attribute("aria-pressed", "true")
    page.set_viewport_size({"width": 390, "height": 800})
    expect(shown).to_have_attribute("width", "358", timeout=PATIENCE_MS)
    assert text_overlaps(page) == []
    page.keyboard.press("]")
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/replay/second\?.*span0="), timeout=PATIENCE_MS)
    assert not faults
    page.close()
