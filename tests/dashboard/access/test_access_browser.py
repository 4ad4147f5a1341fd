"""Logging in and looking on, as a person meets them in a real browser."""

import re
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import pytest
from playwright.sync_api import Browser, Page, expect

from dashboard.access.password import write_password
from replay.recording import Recording

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
TYPED = "four plain words here"


@pytest.fixture
def closed(serve: Callable[..., str], overheat: Recording, tmp_path: Path) -> str:
    """Give a server over the overheat that asks for a password."""
    write_password(tmp_path / "password", TYPED)
    return serve(overheat.path.parent, "--password-file", str(tmp_path / "password"))


def _page(browser: Browser, address: str, *, width: int = 1440) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    # What the policy of the login page forbids is told on the console only.
    page.on("console", lambda told: faults.append(told.text) if "Policy" in told.text else None)
    page.goto(address)
    return page, faults


def _enter(page: Page, password: str = TYPED) -> None:
    page.get_by_label("Password").fill(password)
    page.keyboard.press("Enter")


def test_log_in_look_and_log_out(browser: Browser, closed: str):
    """A link leads through the login to what it named; a wrong password is said; out is out."""
    page, faults = _page(browser, f"{closed}/replay/overheat?from=60&to=120")
    expect(page.get_by_role("heading")).to_have_text("These pages ask for a password")
    expect(page.get_by_label("Password")).to_be_focused()
    _enter(page, "not the password")
    expect(page.get_by_role("alert")).to_have_text("That is not the password.")
    _enter(page)
    expect(page.locator("#past-name")).to_have_text("Overheat", timeout=PATIENCE_MS)
    assert re.search(r"/replay/overheat\?from=60&to=120", page.url)
    assert page.evaluate("document.cookie") == ""
    page.get_by_role("link", name="Live", exact=True).click()
    expect(page.locator("#live-empty")).to_contain_text("Nothing is being recorded")
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_label("Password")).to_be_visible(timeout=PATIENCE_MS)
    page.goto(f"{closed}/replay")
    expect(page.get_by_label("Password")).to_be_visible()
    assert faults == []
    page.close()


def test_a_page_whose_session_ended_asks_again(browser: Browser, closed: str):
    """It goes to the login by itself and comes back to where it was."""
    page, _ = _page(browser, f"{closed}/bus/overheat")
    _enter(page)
    expect(page.locator("#heard-rows[data-drawn]")).to_be_visible(timeout=PATIENCE_MS)
    page.context.clear_cookies()
    # Whoever comes back to the page after a while.
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.get_by_label("Password")).to_be_visible(timeout=PATIENCE_MS)
    _enter(page)
    expect(page.locator("#heard-name")).to_have_text("Overheat", timeout=PATIENCE_MS)
    page.close()


def test_a_link_from_elsewhere_needs_no_second_login(browser: Browser, closed: str):
    """The browser keeps the cookie back on such a link; the login finds the session and goes on."""

    class Elsewhere(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            text = f'<a href="{closed}/replay/overheat">look at this</a>'.encode()
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = HTTPServer(("127.0.0.1", 0), Elsewhere)
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        page, _ = _page(browser, closed)
        _enter(page)
        expect(page.locator("#live")).to_be_visible(timeout=PATIENCE_MS)
        # Another name, so another site: 127.0.0.1 with another port would be the same one.
        page.goto(f"http://localhost:{server.server_port}/")
        page.get_by_role("link").click()
        expect(page.locator("#past-name")).to_have_text("Overheat", timeout=PATIENCE_MS)
        page.close()
    finally:
        server.shutdown()
        server.server_close()


def test_a_screen_that_only_shows(browser: Browser, bench, serve, until):
    """Live without a note, without acknowledging and shelving; it says so, and keys do nothing."""
    limits = bench.limits.read_text("utf-8").replace("above       = 80.0", "above       = 20.0")
    bench.limits.write_text(limits.replace("drop_off    = 76.0", "drop_off    = 15.0"), "utf-8")
    bench.joints()
    bench.logger("--name", "Only shown")
    page, faults = _page(browser, serve(bench.recordings, "--read-only"))
    expect(page.locator("#live-name")).to_have_text("Only shown", timeout=PATIENCE_MS)
    expect(page.locator(".alert.danger").first).to_contain_text("Trip", timeout=PATIENCE_MS)
    expect(page.locator("#read-only")).to_have_text("Only shown here")
    for name in ("Acknowledge", "Shelve 30 min", "Write it in", "Log out"):
        expect(page.get_by_role("button", name=name)).to_have_count(0)
    expect(page.locator("#live-note-form")).to_have_count(0)
    for key in ("n", "a"):
        page.keyboard.press(key)
    page.get_by_role("button", name="10 s", exact=True).click()

    def drawn() -> int:
        return int(page.locator("#live-sheet").get_attribute("data-drawn") or 0)

    before = drawn()
    until(lambda: drawn() > before + 2, "the picture goes on")
    assert faults == []
    page.close()


def test_the_login_on_a_phone(browser: Browser, closed: str):
    """At 390 px nothing stands beside the page, and what is to be touched is 44 px high."""
    page, faults = _page(browser, closed, width=390)
    expect(page.get_by_label("Password")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    box = page.get_by_role("button", name="Log in").bounding_box()
    assert box is not None
    assert box["height"] >= 44
    assert faults == []
    page.close()
