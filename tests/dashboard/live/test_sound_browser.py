"""Alerts that can be heard: what sounds, when, and what the page says where nothing can sound."""

import pytest
from playwright.sync_api import Browser, Page, expect

from logger.store.reading.reader import RecordingReader
from tests.support.browser import SHOWN_PAGE

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
HOT = """
format = 1
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 25.0
drop_off = 20.0
"""
# As if a trip had last been heard so long ago that it is due again.
LATER = f"""async () => {{
  const {{ scheduler }} = {SHOWN_PAGE}.sound;
  scheduler.last_ms -= 20_000;
  scheduler.trip_ms -= 20_000;
}}"""
# Each tone, as it comes: a busy machine looks at the button after the next.
HEAR = """() => {
  const button = document.getElementById('live-sound');
  window.heard = [];
  new MutationObserver(() => window.heard.push([button.dataset.tone, button.dataset.gain]))
    .observe(button, { attributes: true, attributeFilter: ['data-tones'] });
}"""
ACKNOWLEDGE = """() => {
  const asked = [...document.querySelectorAll('button.asked')];
  for (const button of asked.filter((one) => !one.dataset.pressed)) {
    button.dataset.pressed = 'yes';
    button.click();
  }
  return asked.length;
}"""
SILENT = """
  window.AudioContext = window.webkitAudioContext = undefined;
"""
# As on a desk: nothing sounds before somebody pressed something. What drives the browser in a test
# counts as somebody now and then, so its own rule is no measure.
WANTS_A_CLICK = """
  let pressed = false;
  for (const kind of ['pointerdown', 'keydown'])
    addEventListener(kind, (e) => { pressed = pressed || e.isTrusted; }, true);
  const level = { setValueAtTime() {}, exponentialRampToValueAtTime() {} };
  const node = () => ({ frequency: {}, gain: level, connect: (to) => to, start() {}, stop() {} });
  window.AudioContext = class {
    state = 'suspended'; currentTime = 0;
    createOscillator() { return node(); }
    createGain() { return node(); }
    close() { this.state = 'closed'; }
    resume() {
      if (!pressed) return new Promise(() => {});
      this.state = 'running';
      if (this.onstatechange) this.onstatechange();
      return Promise.resolve();
    }
  };
"""


def _live(browser: Browser, address: str, *, before: str = "") -> Page:
    page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
    if before:
        page.add_init_script(before)
    page.goto(address)
    expect(page.locator("#live-sound")).to_be_visible(timeout=PATIENCE_MS)
    return page


def _live_with_a_trip(browser: Browser, address: str) -> Page:
    page = _live(browser, address)
    expect(page.locator(".alert.danger").first).to_be_visible(timeout=PATIENCE_MS)
    return page


@pytest.fixture(scope="module")
def tripped_address(module_bench, request: pytest.FixtureRequest) -> str:
    """Serve joints of which one is tripped, and nobody acknowledges it; gives the address."""
    module_bench.limits.write_text(HOT, "utf-8")
    return request.getfixturevalue("live_address")


@pytest.fixture
def page(browser: Browser, tripped_address: str):
    """Give a Live page over them, of a browser that remembers nothing."""
    page = _live_with_a_trip(browser, tripped_address)
    yield page
    page.context.close()


def _tones(page: Page) -> int:
    return int(page.locator("#live-sound").get_attribute("data-tones") or 0)


def test_a_trip_is_heard_until_it_is_acknowledged(browser: Browser, bench, serve, until):
    """Silent at first; a test tone, the trip that stood before, again softly; then acknowledged."""
    bench.limits.write_text(HOT, "utf-8")
    bench.joints()
    _, path = bench.logger()
    page = _live_with_a_trip(browser, serve(bench.recordings))
    sound = page.get_by_role("switch", name="Alert sound")
    assert sound.get_attribute("aria-checked") == "false"
    page.wait_for_timeout(1500)
    assert _tones(page) == 0
    page.evaluate(HEAR)
    sound.click()
    expect(sound).to_have_text("Alert sound: on", timeout=PATIENCE_MS)
    expect(sound).to_have_attribute("aria-checked", "true")
    until(lambda: len(page.evaluate("heard")) >= 2, "the test tone and the trip are heard")
    page.evaluate(LATER)
    until(lambda: len(page.evaluate("heard")) >= 3, "the trip is heard again")
    (first, _), *trips = page.evaluate("heard")
    assert first == "warning"
    assert trips[:2] == [["trip", "0.3"], ["trip", "0.1"]]

    reader = RecordingReader(path)
    until(lambda: page.evaluate(ACKNOWLEDGE) == 0, "nothing asks to be acknowledged")

    def acknowledged() -> bool:
        reader.refresh()
        return any(event.kind == "acknowledged" for event in reader.read_events())

    until(acknowledged, "the acknowledgement is recorded")
    page.wait_for_timeout(1500)
    heard = _tones(page)
    page.evaluate(LATER)
    page.wait_for_timeout(1500)
    assert _tones(page) == heard

    sound.click()
    expect(sound).to_have_text("Alert sound: off")
    page.context.close()


def test_it_is_remembered_and_a_silent_browser_is_said(page: Page):
    """Opened again the browser wants a click, the page says so, and any click will do."""
    page.add_init_script(WANTS_A_CLICK)
    page.reload()
    page.locator("#live-sound").click()
    expect(page.locator("#live-sound")).to_have_text("Alert sound: on", timeout=PATIENCE_MS)
    page.reload()
    sound = page.locator("#live-sound")
    expect(sound).to_have_text("Click to hear alerts", timeout=PATIENCE_MS)
    expect(sound).to_have_attribute("aria-checked", "false")
    expect(page.locator("#live-sound-says")).to_contain_text("the browser wants a click")
    page.wait_for_timeout(1000)
    assert _tones(page) == 0
    page.get_by_role("button", name="1 min", exact=True).click()
    expect(sound).to_have_text("Alert sound: on", timeout=PATIENCE_MS)
    expect(page.locator("#live-sound-says")).to_have_text("")
    expect(sound).to_have_attribute("data-tone", "trip", timeout=PATIENCE_MS)


def test_a_hidden_page_is_heard_too(page: Page, until):
    """A page in the background draws nothing, and takes what comes all the same."""
    page.locator("#live-sound").click()
    expect(page.locator("#live-sound")).to_have_text("Alert sound: on", timeout=PATIENCE_MS)
    page.evaluate("""() => {
      const frame = window.requestAnimationFrame.bind(window);
      Object.defineProperty(document, 'hidden', { get: () => true });
      window.requestAnimationFrame = () => 0;
      return new Promise((done) => frame(() => setTimeout(done, 300)));
    }""")
    drawn = page.locator("#live-sheet").get_attribute("data-drawn")
    clock = page.locator("#fact-elapsed").inner_text()
    until(lambda: page.locator("#fact-elapsed").inner_text() != clock, "what is said goes on")
    assert page.locator("#live-sheet").get_attribute("data-drawn") == drawn


def test_a_browser_without_sound_says_so(browser: Browser, tripped_address: str):
    """Nothing to switch on, and a sentence instead."""
    page = _live(browser, tripped_address, before=SILENT)
    expect(page.locator("#live-sound")).to_be_disabled()
    expect(page.locator("#live-sound-says")).to_contain_text("makes no sound")
    page.context.close()
