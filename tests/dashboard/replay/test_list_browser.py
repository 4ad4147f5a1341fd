"""The list of recordings as a person searches and sorts it, in a real browser."""

import json
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from replay.recording import Recording

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, overheat: Recording) -> Path:
    """Give three recordings of their own names, one of which cannot be opened."""
    path = tmp_path_factory.mktemp("listed")
    for name, shown in (("a", "Soak of the elbow"), ("b", "Crates"), ("c", "Broken")):
        shutil.copytree(overheat.path, path / name)
        manifest = path / name / "recording.json"
        content = json.loads(manifest.read_text())
        content["name"] = shown
        manifest.write_text("{" if name == "c" else json.dumps(content))
    return path


def test_it_is_sorted_and_searched(browser: Browser, serve_once, folder: Path):
    """A head sorts, a second press turns it round, what is broken stays at the end and is said."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve_once(folder)}/replay")
    rows = page.locator("#past-list tbody tr")
    expect(rows).to_have_count(3, timeout=PATIENCE_MS)
    page.get_by_role("button", name="what it is").click()
    expect(page.locator("#past-list th[aria-sort=ascending]")).to_have_text("what it is")
    expect(rows.nth(0)).to_contain_text("Crates")
    page.get_by_role("button", name="what it is").click()
    expect(rows.nth(0)).to_contain_text("Soak of the elbow")
    expect(rows.nth(2)).to_contain_text("recording.json")
    page.locator("#past-search").fill("crat")
    expect(rows).to_have_count(1)
    expect(rows.nth(0)).to_contain_text("Crates")
    page.locator("#past-search").fill("nothing like it")
    expect(rows.nth(0)).to_contain_text("None of them")
    page.locator("#past-search").fill("")
    expect(rows).to_have_count(3)
    assert faults == []
    page.close()


def test_it_is_sorted_by_keyboard(browser: Browser, serve_once, folder: Path):
    """A head that was pressed keeps the keyboard, so that pressing it again turns it round."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(f"{serve_once(folder)}/replay")
    rows = page.locator("#past-list tbody tr")
    expect(rows).to_have_count(3, timeout=PATIENCE_MS)
    page.get_by_role("button", name="what it is").focus()
    page.keyboard.press("Enter")
    expect(rows.nth(0)).to_contain_text("Crates")
    page.keyboard.press("Enter")
    expect(rows.nth(0)).to_contain_text("Soak of the elbow")
    assert page.evaluate("document.activeElement.textContent") == "what it is"
    page.close()


def test_what_is_being_recorded_is_on_top(browser: Browser, serve, bench, overheat: Recording):
    """Whatever the order, a live recording stands first and is said to be one."""
    bench.joints()
    bench.logger()
    shutil.copytree(overheat.path, bench.recordings / "zz")
    page = browser.new_page()
    page.goto(f"{serve(bench.recordings)}/replay")
    rows = page.locator("#past-list tbody tr")
    expect(rows).to_have_count(2, timeout=PATIENCE_MS)
    for _ in range(2):
        page.get_by_role("button", name="length").click()
        expect(rows.nth(0)).to_contain_text("still recording")
    page.close()
