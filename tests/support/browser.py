"""Finds the browser that the browser tests and the pictures drive, and starts it."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
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


@contextmanager
def chromium(path: str) -> Iterator[Browser]:
    """Start the browser, and end it."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()
