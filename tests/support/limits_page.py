"""The Limits page in a real browser: to open it, to wait for its answers, to find its parts."""

import re

from playwright.sync_api import Browser, Locator, Page, expect

PATIENCE_MS = 60_000


def open_limits_page(
    browser: Browser, address: str, *, width: int = 1440
) -> tuple[Page, list[str]]:
    """Return the page, answered once, and the list of errors that its scripts raise."""
    page = browser.new_page(viewport={"width": width, "height": 1000})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{address}/limits")
    wait_for_answer(page)
    return page, faults


def wait_for_answer(page: Page) -> None:
    """Wait until the page has its answer to the limits on it."""
    expect(page.locator("#judge")).to_have_attribute(
        "data-answered", re.compile("[1-9]"), timeout=PATIENCE_MS
    )
    page.wait_for_function(
        "() => !document.getElementById('judge').dataset.asking", timeout=PATIENCE_MS
    )


def field_input(page: Page, key: str) -> Locator:
    """Return the input of a limit's key."""
    return page.locator(f'.field[data-key="{key}"] input')


def choose_all_recordings(page: Page) -> None:
    """Choose every recording, and wait for the answer."""
    page.locator("#judge-picker summary").click()
    page.get_by_role("button", name="All of them").click()
    wait_for_answer(page)


def lane_row(page: Page, index: int = 0) -> Locator:
    """Return the lane of one recording."""
    return page.locator(".lane-row:not(.under)").nth(index)
