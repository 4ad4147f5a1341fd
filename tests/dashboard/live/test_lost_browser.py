"""Logger, server or network gone: Live says so, since when, and is whole again by itself."""

import os
import re
import signal
import socket
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from dashboard.figures.axes import Pen
from dashboard.live.closed_bins import read_bins
from replay.recording import Recording
from tests.support.browser import SHOWN_PAGE
from tests.support.relay import Relay

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
# The page says it after 2.2 s; its timers come late on a busy machine.
SOON_S = 10.0
SAYS = """() => {
  const box = document.getElementById('live-lost');
  window.said = [];
  new MutationObserver(() => { if (box.textContent) window.said.push(box.textContent); })
    .observe(box, { childList: true, subtree: true, characterData: true });
}"""
HELD = f"""async () => {{
  const picture = {SHOWN_PAGE}.picture, store = picture.store;
  const trace = picture.figure.data.find((t) => t.meta.joint === 'elbow' && t.meta.channel === 'torque_Nm');
  const k = trace.meta.at, nothing = (v) => (v === v ? v : null);
  return {{ width: store.width, starts: store.starts, a: store.a[k].map(nothing), b: store.b[k].map(nothing) }};
}}"""  # noqa: E501 - a line of script


def _opened(browser: Browser, address: str) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(address)
    expect(page.locator('[data-joint="elbow"] .state')).to_contain_text(
        "Normal", timeout=PATIENCE_MS
    )
    page.get_by_role("button", name="1 min", exact=True).click()
    page.evaluate(SAYS)
    return page, faults


def _drawn(page: Page) -> int:
    return int(page.locator("#live-sheet").get_attribute("data-drawn") or 0)


def _assert_whole(page: Page, path: Path) -> None:
    """Every bin that the recording holds in the page's window is on the page, as it is there."""
    held: dict[str, Any] = page.evaluate(HELD)
    recording = Recording.open(path)
    width_ns = round(held["width"] * 1e9)
    # Of the newest the recording knows more by now.
    starts = recording.start_ns + np.round(np.array(held["starts"][:-10]) * 1e9).astype(np.int64)
    assert len(starts) > 20
    np.testing.assert_array_equal(np.diff(starts), width_ns)
    pen = Pen(joint="elbow", number=2, channel="torque_Nm")
    wanted = read_bins(recording, ((pen, 1.0),), int(starts[0]), len(starts), width_ns)
    for place, name in enumerate("ab"):
        found = np.array(held[name][:-10], float)
        np.testing.assert_allclose(found, wanted[:, 0, place], rtol=1e-5, atol=1e-6)


def _assert_said_soon(page: Page, words: str) -> None:
    """Hold that it was said within seconds, going by what the page itself counted."""
    said = next(text for text in page.evaluate("window.said") if words in text)
    found = re.search(r"(\d+(?:\.\d+)?) (m?)s\b", said)
    assert found is not None, said
    assert float(found[1]) * (1e-3 if found[2] else 1.0) <= SOON_S, said


def test_a_lost_logger(browser: Browser, bench, serve, until):
    """The page says since when, and goes on with what is recorded next."""
    bench.joints()
    process, path = bench.logger()
    page, faults = _opened(browser, serve(bench.recordings))
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    expect(page.locator("#live-lost")).to_contain_text("The logger stopped", timeout=PATIENCE_MS)
    _assert_said_soon(page, "The logger stopped")
    _, second = bench.logger("--name", "After it")
    expect(page.locator("#live-name")).to_have_text("After it", timeout=PATIENCE_MS)
    expect(page.locator("#live-lost")).to_have_text("", timeout=PATIENCE_MS)
    until(lambda: len(page.evaluate(HELD)["starts"]) > 40, "the new recording is drawn")
    assert second != path
    _assert_whole(page, second)
    assert faults == []
    page.close()


def test_a_lost_server(browser: Browser, bench, serve, until):
    """The page says since when, tries again, and has what was recorded meanwhile."""
    bench.joints()
    _, path = bench.logger()
    address = serve(bench.recordings)
    server = bench.processes()[-1]
    page, faults = _opened(browser, address)
    server.send_signal(signal.SIGTERM)
    server.wait(60)
    lost = page.locator("#live-lost")
    expect(lost).to_contain_text("heard nothing from the server", timeout=PATIENCE_MS)
    _assert_said_soon(page, "heard nothing")
    port = address.rsplit(":", 1)[1]
    again = bench.start(
        "dutytrace", "dashboard", "--recordings", str(bench.recordings), "--port", port
    )
    assert again.stdout.readline().startswith("The pages are at ")
    expect(lost).to_have_text("", timeout=PATIENCE_MS)
    drawn = _drawn(page)
    until(lambda: _drawn(page) > drawn + 5, "the picture goes on")
    _assert_whole(page, path)
    assert faults == []
    page.close()


@pytest.mark.slow
@pytest.mark.parametrize("away_ms", [4000, 15_000])
def test_a_lost_network(browser: Browser, bench, serve, until, away_ms: int):
    """A cable that was pulled closes nothing: said all the same, and nothing is missing after."""
    bench.joints()
    _, path = bench.logger()
    port = int(serve(bench.recordings).rsplit(":", 1)[1])
    with socket.socket(socket.AF_INET6) as probe:
        try:
            probe.bind(("::1", 0))
        except OSError:
            pytest.skip("this machine has no second loopback address ([::1]) for a relay")
    with Relay(port) as relay:
        page, faults = _opened(browser, f"http://[::1]:{port}")
        relay.pull()
        lost = page.locator("#live-lost")
        expect(lost).to_contain_text("heard nothing from the server", timeout=PATIENCE_MS)
        _assert_said_soon(page, "heard nothing")
        page.wait_for_timeout(away_ms)
        expect(lost).to_contain_text("heard nothing from the server")
        relay.plug()
        expect(lost).to_have_text("", timeout=PATIENCE_MS)
        drawn = _drawn(page)
        until(lambda: _drawn(page) > drawn + 5, "the picture goes on")
        _assert_whole(page, path)
        assert faults == []
        page.close()


def test_a_page_that_never_heard_the_server_says_that_it_connects(
    browser: Browser, nothing_recorded: str
):
    """There is no picture from before yet, of which it could speak."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.route_web_socket("**/api/live", lambda _: None)
    try:
        page.goto(nothing_recorded)
        notice = page.locator("#live-lost")
        expect(notice).to_contain_text("Connecting.", timeout=PATIENCE_MS)
        expect(notice).not_to_contain_text("what you see")
    finally:
        page.close()
