"""The Heat page as a person meets it, in a real browser against real processes."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from replay.recording import Recording
from tests.support.heat_recordings import record_stepped

pytestmark = pytest.mark.browser
PATIENCE_MS = 90_000
DEMO = Path(__file__).parents[3] / "recordings" / "demo-overheat"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with load steps of one joint."""
    made = tmp_path_factory.mktemp("heat")
    record_stepped(made / "steps")
    return made


def _fitted(page: Page) -> None:
    expect(page.locator("#heat[data-state=fitted]")).to_be_visible(timeout=PATIENCE_MS)


def test_rules_are_turned(browser: Browser, serve, folder: Path):
    """The page waits for its fit; then the sentence follows ambient, temperature and motion."""
    page = browser.new_page(viewport={"width": 1440, "height": 1000})
    in_force = Recording.open(folder / "steps").limit_sets
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve(folder)}/heat/steps")
    _fitted(page)
    told = page.locator("#heat-said .sentence-told")
    expect(told).to_contain_text("for ever at 40 °C with its winding at 110 °C")
    before = page.locator("#heat-said .sentence-told .value").first.inner_text()
    expect(page.locator("#heat-curve .main-svg").first).to_be_visible()
    expect(page.locator("#heat-ladder .rung").first).to_be_attached()
    page.locator("#heat-room").focus()
    page.keyboard.press("Home")
    expect(told).to_contain_text("for ever at 0 °C")
    warmer = page.locator("#heat-said .sentence-told .value").first
    expect(warmer).not_to_have_text(before)
    assert float(warmer.inner_text()) > float(before)
    page.get_by_role("button", name="holding still").click()
    expect(told).to_contain_text("holding still")
    expect(page).to_have_url(re.compile(r"/heat/steps\?joint=a&room=0&holding=1$"))
    page.reload()
    _fitted(page)
    expect(told).to_contain_text("for ever at 0 °C, holding still")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save as CSV").click()
    assert Path(saved.value.path()).read_text().startswith("N·m,")
    # The load as it was, held against the joint at the temperature that is set.
    expect(page.locator("#heat-duty[data-state=told]")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#heat-duty-told")).to_contain_text("with its winding at 110")
    expect(page.locator("#heat-windows .main-svg").first).to_be_visible()
    expect(page.locator("#heat-mapped")).to_be_hidden()  # no speed is recorded
    # Limits from the model: on the Limits page, beside those that are there, and not in force.
    page.get_by_role("button", name="Limits from this model").click()
    limit = page.locator("#judge-limits").get_by_text("a-housing-image-warning")
    expect(limit).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#judge-made")).to_contain_text("not in force")
    expect(page.locator("#judge-limits input[aria-label='time constant']")).not_to_have_value("")
    assert Recording.open(folder / "steps").limit_sets == in_force
    assert not faults


def test_recordings_are_fitted_together(browser: Browser, serve, tmp_path: Path):
    """Chosen in the head, held by the address, and taken out again."""
    for name, part in (("first", slice(0, 3000)), ("second", slice(3600, 7200))):
        record_stepped(tmp_path / name, winding=False, part=part)
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(f"{serve(tmp_path)}/heat/second")
    _fitted(page)
    told = page.locator("#heat-said .sentence-told")
    expect(told).to_contain_text("from 1 recording,")
    page.get_by_role("button", name="Fit others with it").click()
    page.get_by_label("first").check(timeout=PATIENCE_MS)
    expect(told).to_contain_text("from 2 recordings,", timeout=PATIENCE_MS)
    expect(page).to_have_url(re.compile(r"[?&]also=first"))
    page.reload()
    _fitted(page)
    expect(told).to_contain_text("from 2 recordings,")
    page.get_by_role("button", name="with 1 other").click()
    page.get_by_label("first").uncheck(timeout=PATIENCE_MS)
    expect(told).to_contain_text("from 1 recording,", timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_what_cannot_be_fitted_is_said(browser: Browser, serve, folder: Path):
    """A sentence in the place of the answer, and the way back is open."""
    page = browser.new_page(viewport={"width": 390, "height": 844})
    address = serve(folder)
    page.goto(f"{address}/heat/steps?ambient=95degC")
    expect(page.locator("#heat[data-state=refused]")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#heat-said")).to_contain_text("above every temperature of a")
    expect(page.locator("#heat-borne")).to_be_hidden()
    page.goto(f"{address}/heat/nothing-of-the-kind")
    expect(page.locator("#heat-lost")).to_contain_text("cannot be shown", timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
