"""Replay with more joints than pens in a browser: which are drawn, and how others are."""

import pytest
from playwright.sync_api import Browser, Page, expect

from replay.recording import Recording

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000


def drawn(page: Page) -> set[str]:
    """Return the joints that are named at the traces."""
    names = page.locator("#past-rows .over .who").all_text_contents()
    return {name.removesuffix(", mean") for name in names}


def test_joints_are_chosen(browser: Browser, serve_once, until, four_arms: Recording):
    """The most urgent at first; one more by a click, in the address too; an excursion's joint."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    try:
        page.goto(
            f"{serve_once(four_arms.path.parent)}/replay/four-arms?joints=north-base,,west-base"
        )
        page.wait_for_selector("#past-rows[data-drawn]", timeout=PATIENCE_MS)
        words = page.locator("#past-drawn-words")
        expect(words).to_have_text("2 of 24 drawn, 22 not: choose")
        assert drawn(page) == {"north base", "west base"}
        page.locator('.exc[data-severity="trip"]').click()
        expect(words).to_have_text("3 of 24 drawn, 21 not: choose", timeout=PATIENCE_MS)
        until(
            lambda: drawn(page) == {"north base", "west base", "south shoulder"},
            "the joint of an excursion that was chosen is drawn",
        )
        trip = page.locator('.exc[data-severity="trip"]')
        expect(trip.locator(".tiny")).to_have_class("tiny pen-2", timeout=PATIENCE_MS)
        expect(trip).to_have_attribute("aria-current", "true")
        until(
            # `page.url` stays as it is while nothing is asked of the browser.
            lambda: (
                "joints=north-base%2Csouth-shoulder%2Cwest-base%2C"
                in page.evaluate("location.search")
            ),
            "the address holds the choice",
        )
        words.click()
        choices = page.locator("#past-joints")
        expect(choices.locator("button")).to_have_count(24)
        choices.get_by_role("button", name="north base").click()
        expect(words).to_have_text("2 of 24 drawn, 22 not: choose", timeout=PATIENCE_MS)
        page.locator("#past-urgent").click()
        until(
            lambda: drawn(page) == {"south shoulder", "west shoulder", "north elbow"},
            "the most urgent are drawn again",
        )
        expect(choices.locator("button").first).to_have_attribute("aria-pressed", "true")
    finally:
        page.close()
