"""Finds the browser that the browser tests and the pictures drive, and starts it."""

import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, FloatRect, Locator, Page, Route, expect, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
PATIENCE_MS = 60_000
"""How long a page may take to be as a test expects, on a machine that others use as well."""
STAYS = 4
"""Looks in a row, 50 ms apart, at which an element has to be at the same place."""
MAC = Path("/Applications/Google Chrome.app/Contents/MacOS/Google Chrome")
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def installed() -> str | None:
    """Return an installed Chrome or Chromium, None if there is none."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    return found or (str(MAC) if MAC.exists() else None)


def required() -> bool:
    """Return whether a missing browser is a failure (under CI) and not a reason to skip."""
    return os.environ.get("CI", "").lower() in {"1", "true"}


def module_script(name: str) -> str:
    """Return JavaScript that awaits a module of the pages, the very one that they run on."""
    main = "document.querySelector('script[type=module]').src"
    return f"(await import(new URL({name!r}, {main}).href))"


SHOWN_PAGE = f"{module_script('main.mjs')}.shown.page"
"""JavaScript for the page that is shown, with its state."""


def wait_for_address(page: Page) -> str:
    """Wait until the address holds the view that the page shows; return it."""
    held = f"async () => {SHOWN_PAGE}.address() === location.pathname + location.search"
    end_s = time.monotonic() + PATIENCE_MS / 1000
    while not page.evaluate(held):
        assert time.monotonic() < end_s, f"the view is not in the address: {page.url}"
        page.wait_for_timeout(50)
    return page.evaluate("location.href")


def first_held(page: Page, held: list[Route]) -> Route:
    """Wait until a request was held back; return the first."""
    end_s = time.monotonic() + PATIENCE_MS / 1000
    while not held:
        assert time.monotonic() < end_s, "nothing was asked for that is held back"
        page.wait_for_timeout(50)
    return held[0]


def box_of(locator: Locator) -> FloatRect:
    """Wait until an element stays at its place on the page.

    One that is being drawn anew has none, and one above which something is still to be drawn is
    about to move: a mouse that is sent there would miss it.
    """
    end_s = time.monotonic() + PATIENCE_MS / 1000
    box, stays = locator.bounding_box(), 0
    while box is None or stays < STAYS:
        assert time.monotonic() < end_s, f"no place on the page: {locator}"
        locator.page.wait_for_timeout(50)
        before, box = box, locator.bounding_box()
        stays = stays + 1 if box == before else 0
    return box


def _patient(make: Callable[..., Any]) -> Callable[..., Any]:
    """Have pages of their own wait as long for a click, a download or an address."""

    def made(**options: Any) -> Any:
        one = make(**options)
        one.set_default_timeout(PATIENCE_MS)
        return one

    return made


@contextmanager
def chromium(path: str) -> Iterator[Browser]:
    """Start the browser, and end it; whatever is done on its pages may take a generous while."""
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        browser.new_page = _patient(browser.new_page)  # type: ignore[method-assign]
        browser.new_context = _patient(browser.new_context)  # type: ignore[method-assign]
        try:
            yield browser
        finally:
            browser.close()
