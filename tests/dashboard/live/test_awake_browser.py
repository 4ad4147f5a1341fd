"""A screen kept awake: asked of the browser, asked again, remembered; refusals are said."""

import pytest
from playwright.sync_api import Browser, Page, Route, TimeoutError, expect

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
GRANTS = """
  window.asked = 0; window.locks = [];
  class Lock extends EventTarget {
    release() { this.released = true; this.dispatchEvent(new Event('release')); return Promise.resolve(); }
  }
  Object.defineProperty(navigator, 'wakeLock', { value: { request: (kind) => {
    window.asked++;
    const lock = new Lock(); lock.kind = kind; window.locks.push(lock);
    return Promise.resolve(lock);
  } } });
"""  # noqa: E501
REFUSES = """
  Object.defineProperty(navigator, 'wakeLock',
    { value: { request: () => Promise.reject(new DOMException('no', 'NotAllowedError')) } });
"""
LACKS = """
  Object.defineProperty(navigator, 'wakeLock', { value: undefined });
  Object.defineProperty(window, 'isSecureContext', { value: %s });
"""
SEEN = """(seen) => {
  Object.defineProperty(document, 'hidden', { get: () => !seen, configurable: true });
  if (!seen) window.locks[window.locks.length - 1].release();
  document.dispatchEvent(new Event('visibilitychange'));
}"""


@pytest.fixture
def live(browser: Browser, live_address: str):
    """Give a function that opens Live in a browser whose wake lock is as a script makes it."""
    pages: list[Page] = []

    def opened(before: str, held: list[Route] | None = None) -> Page:
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        pages.append(page)
        page.add_init_script(before)
        if held is not None:
            page.route("**/wake_lock.mjs", lambda route: held.append(route))  # noqa: PLW0108 - playwright marks it
        page.goto(live_address, wait_until="commit")
        expect(page.locator("#live-awake")).to_be_visible(timeout=PATIENCE_MS)
        return page

    yield opened
    for page in pages:
        page.close()


def test_the_screen_is_kept_awake(live):
    """Off at first; asked for by hand, again when the page is seen again, and after a reload."""
    page = live(GRANTS)
    awake = page.get_by_role("switch", name="Screen awake")
    expect(awake).to_have_attribute("aria-checked", "false")
    assert page.evaluate("window.asked") == 0
    awake.click()
    expect(awake).to_have_text("Screen awake: on")
    expect(awake).to_have_attribute("aria-checked", "true")
    assert page.evaluate("window.locks[0].kind") == "screen"

    page.evaluate(SEEN, False)  # noqa: FBT003 - an argument of the page's own function
    expect(awake).to_have_attribute("aria-checked", "false")
    page.evaluate(SEEN, True)  # noqa: FBT003
    expect(awake).to_have_text("Screen awake: on")
    assert page.evaluate("window.asked") == 2

    page.reload()
    expect(awake).to_have_text("Screen awake: on", timeout=PATIENCE_MS)
    awake.click()
    expect(awake).to_have_text("Screen awake: off")
    assert page.evaluate("window.locks[0].released")


def test_a_click_before_the_page_listens_waits_for_it(live):
    """A module that comes late over a slow line: the switch takes no click that nothing hears."""
    held: list[Route] = []
    page = live(GRANTS, held)
    awake = page.locator("#live-awake")
    with pytest.raises(TimeoutError):
        awake.click(timeout=500)
    assert held
    for route in held:
        route.continue_()
    awake.click()
    expect(awake).to_have_text("Screen awake: on")


@pytest.mark.parametrize(
    ("before", "said"),
    [
        (REFUSES, "The browser refuses to keep the screen awake"),
        (LACKS % "false", "only for pages over HTTPS or from its own machine"),
        (LACKS % "true", "This browser cannot keep a screen awake"),
    ],
    ids=["refused", "no secure context", "no such thing"],
)
def test_where_it_is_not_possible_the_page_says_so(live, before: str, said: str):
    """A sentence with what to do, and the switch does not claim to be on."""
    page = live(before)
    expect(page.locator("#live-awake-says")).to_have_text("")
    page.locator("#live-awake").click()
    expect(page.locator("#live-awake-says")).to_contain_text(said)
    expect(page.locator("#live-awake")).to_have_attribute("aria-checked", "false")
    expect(page.locator("#live-awake")).to_have_text("Screen awake: not possible")
    page.locator("#live-awake").click()
    expect(page.locator("#live-awake-says")).to_have_text("")
