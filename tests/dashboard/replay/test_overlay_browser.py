"""A second recording laid over the one in Replay, as a person meets it."""

import re
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from tests.support.browser import box_of

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
DEMO = Path(__file__).parents[3] / "recordings" / "demo-overheat"
START_NS = 1_796_000_000_000_000_000
DASHED = """() => (document.querySelector('#past-rows .plot').data || [])
  .filter((t) => t.meta.other && t.line.dash).map((t) => t.x[0])"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with the shipped recording, another of its joints, and one cut to pieces."""
    made = tmp_path_factory.mktemp("over")
    shutil.copytree(DEMO, made / "demo-overheat")
    import_frames(
        simulate_frames(hours=0.2, rate_Hz=10.0, seed=5, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=10.0),
        limits=parse_limits(scenario.scenario_limits_text(), "limits.toml"),
        out=made / "second",
        name="Second",
        start_ns=START_NS,
        end_ns=START_NS + 720 * 10**9,
        simulated=True,
    )
    shutil.copytree(made / "second", made / "broken")
    (made / "broken" / "recording.json").write_text("{", "utf-8")
    return made


def _page(browser: Browser, address: str, *, width: int = 1440) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 1000})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(address)
    expect(page.locator("#past-rows[data-drawn]")).to_be_visible(timeout=PATIENCE_MS)
    return page, faults


def _said(page: Page, words: str) -> None:
    expect(page.locator("#past-laid")).to_contain_text(words, timeout=PATIENCE_MS)


def test_chosen_aligned_moved_and_sent(browser: Browser, serve_once, folder: Path, until):
    """Start on start, event on event, by hand; the address opens the same view elsewhere."""
    address = serve_once(folder)
    page, faults = _page(browser, f"{address}/replay/demo-overheat?from=300&to=700&at=430")
    expect(page.locator("#past-laid")).to_be_hidden()
    page.get_by_role("button", name="Overlay another recording").click()
    choice = page.get_by_label("Over it", exact=True)
    expect(choice).to_be_focused()
    assert choice.locator("option", has_text="broken, cannot be read").is_disabled()
    choice.select_option("second")
    _said(page, "over Fan failure, pick and place; start on start")
    expect(page.locator("#past-rows .over")).to_contain_text("shoulder, other")
    until(lambda: len(page.evaluate(DASHED)) >= 8, "both joints are dashed in four rows")
    expect(page).to_have_url(re.compile(r"&over=second&shift=0$"), timeout=PATIENCE_MS)

    page.get_by_role("button", name="event on event").click()
    here = page.get_by_label("Event in this recording").locator("option:checked")
    there = page.get_by_label("Event in the overlay").locator("option:checked")
    expect(here).to_have_text("00:07:06 shoulder torque at or above 16 N·m")
    expect(there).to_have_text(re.compile("shoulder torque at or above 16 N·m$"))
    expect(page).to_have_url(re.compile(r"&shift=-?[\d.]*[1-9]"), timeout=PATIENCE_MS)
    page.get_by_label("Event in the overlay").select_option(label="00:12:00 the end")
    _said(page, "earlier")

    page.get_by_role("button", name="by hand").click()
    page.get_by_label("Moved later by, in seconds").fill("20")
    page.get_by_label("Moved later by, in seconds").press("Enter")
    _said(page, "moved 20 s later")
    for name in ("Move it 10 s earlier", "Move it 1 s later", "Move it 0.1 s later"):
        page.get_by_role("button", name=name).click()
    _said(page, "moved 11.1 s later")
    page.locator("#past-name").click()
    for key in ("l", "Shift+L", "j"):
        page.keyboard.press(key)
    _said(page, "moved 21.1 s later")
    expect(page).to_have_url(re.compile(r"&over=second&shift=21\.1$"), timeout=PATIENCE_MS)

    other, more = _page(browser, page.url)
    _said(other, "moved 21.1 s later")
    expect(other.get_by_label("Over it", exact=True)).to_have_value("second")
    expect(other.get_by_role("button", name="by hand")).to_have_attribute("aria-pressed", "true")
    assert more == []
    other.close()

    page.get_by_role("button", name="Remove the overlay").click()
    expect(page.locator("#past-laid")).to_be_hidden()
    until(lambda: page.evaluate(DASHED) == [], "the first one is alone again")
    expect(page).not_to_have_url(re.compile("over="), timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_the_event_of_an_address_is_known_again(browser: Browser, serve_once, folder: Path):
    """An address holds the shift alone; where it is that of the events, the page says so."""
    address = serve_once(folder)
    page, faults = _page(browser, f"{address}/replay/demo-overheat?over=second&shift=0")
    page.get_by_role("button", name="event on event").click()
    expect(page).to_have_url(re.compile(r"&shift=-?[\d.]*[1-9]"), timeout=PATIENCE_MS)
    page.reload()
    expect(page.get_by_role("button", name="event on event")).to_have_attribute(
        "aria-pressed", "true", timeout=PATIENCE_MS
    )
    expect(page.get_by_label("Event in this recording")).to_be_visible()
    assert faults == []
    page.close()


def test_a_dragged_span_gives_both(browser: Browser, serve_once, folder: Path):
    """Every channel twice, the second's own time said; moved on, its figures follow."""
    address = serve_once(folder)
    page, faults = _page(
        browser,
        f"{address}/replay/demo-overheat?from=300&to=360&at=330&span0=310&span1=320"
        "&over=second&shift=20",
    )
    span = page.locator("#past-span")
    expect(span.locator("tbody tr")).to_have_count(16, timeout=PATIENCE_MS)
    expect(span).to_contain_text("other: Second, 00:04:50.0 to 00:05:00.0 of its own time")
    expect(span.locator("tbody tr").nth(1)).to_contain_text("shoulder, other")
    page.keyboard.press("l")
    expect(span).to_contain_text("00:04:49.0 to 00:04:59.0", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


@pytest.mark.parametrize("name", ["nothing", "broken"])
def test_a_second_that_cannot_be_read_is_said(
    browser: Browser, serve_once, folder: Path, name: str
):
    """The sentence stands on the page, the first one is drawn, and it can be taken off."""
    address = serve_once(folder)
    page, faults = _page(browser, f"{address}/replay/demo-overheat?over={name}&shift=3")
    _said(page, "No overlay.")
    assert page.evaluate(DASHED) == []
    expect(page.locator("#past-rows .over")).to_contain_text("shoulder")
    page.get_by_role("button", name="Remove the overlay").click()
    expect(page.locator("#past-laid")).to_be_hidden()
    expect(page).not_to_have_url(re.compile("over="), timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_by_keyboard_and_on_a_phone(browser: Browser, serve_once, folder: Path):
    """O opens it, the list is chosen from without a mouse; 390 px scroll one way only."""
    address = serve_once(folder)
    page, faults = _page(browser, f"{address}/replay/demo-overheat?from=300&to=700", width=390)
    page.keyboard.press("o")
    choice = page.get_by_label("Over it", exact=True)
    expect(choice).to_be_focused()
    # The list of recordings is an answer of its own.
    expect(choice.locator("option", has_text="Second")).to_be_attached(timeout=PATIENCE_MS)
    # One letter: of several, those that come late begin another word.
    page.keyboard.press("S")
    page.keyboard.press("Tab")
    _said(page, "start on start")
    for how in ("event on event", "by hand"):
        button = page.get_by_role("button", name=how)
        button.focus()
        page.keyboard.press("Enter")
        expect(button).to_have_attribute("aria-pressed", "true")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for control in ("#past-over-shift", "#past-over-select", "#past-over-nudges button"):
        box = box_of(page.locator(control).first)
        assert box["height"] >= 44
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_contain_text("overlay another recording")
    assert faults == []
    page.close()
