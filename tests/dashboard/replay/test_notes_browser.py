"""A note written in Replay as a person does it, in a real browser."""

import re
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from logger.store.layout.request import EventRequest
from logger.store.repair.attach_file import attach_file
from logger.store.repair.post_request import post_request
from replay.recording import Recording

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
S = 1_000_000_000
OTHERS = 50
"""So many notes a commissioning writes."""


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder of its own with the overheat in it, a photograph attached."""
    copied = tmp_path / "recordings" / "overheat"
    shutil.copytree(overheat.path, copied)
    (tmp_path / "teeth.png").write_bytes(b"not a picture at all")
    at_ns = overheat.start_ns + 90_000_000_000
    attach_file(copied, tmp_path / "teeth.png", name="teeth.png", time_ns=at_ns)
    for at_s in range(5, 5 + OTHERS):
        note = EventRequest(kind="note", text=f"step {at_s}", at_ns=overheat.start_ns + at_s * S)
        post_request(copied, note)
    return tmp_path / "recordings"


@pytest.mark.parametrize("width", [1440, 390])
def test_written_at_the_play_head_and_found_again(
    browser: Browser, serve, folder: Path, width: int
):
    """The label says where; it appears in the list, and a click on it leads there."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve(folder)}/replay/overheat?from=0&to=120&at=61.5")
    expect(page.locator("#past-rows")).to_have_attribute(
        "data-drawn", re.compile("[1-9]"), timeout=PATIENCE_MS
    )
    expect(page.locator("#past-note-label")).to_have_text("Note at 00:01:01.5")
    page.locator("#past-note").fill("here the fan stopped")
    page.locator("#past-note-form button").click()
    noted = page.locator("#past-notes .noted", has_text="here the fan stopped")
    expect(noted).to_have_count(1, timeout=PATIENCE_MS)
    expect(page.locator("#past-note")).to_have_value("")
    # A list of a height of its own: what stands below it is not pushed away.
    total = page.locator("#past-notes .noted").count()
    assert total > OTHERS
    expect(page.locator("#past-notes-count")).to_have_text(str(total))
    notes = page.locator("#past-notes")
    assert notes.evaluate(
        "box => box.clientHeight < 320 && box.scrollHeight > 2 * box.clientHeight"
    )
    assert page.locator("#past-notes button.noted[tabindex='0']").count() == 1
    page.locator("#past-notes button.noted").first.focus()
    page.keyboard.press("End")
    expect(page.locator("#past-notes button.noted").last).to_be_focused()
    assert notes.evaluate("box => box.scrollTop") > 0
    page.keyboard.press("Tab")
    expect(page.locator("#past-note")).to_be_focused()
    page.get_by_role("button", name="whole test", exact=True).click()
    noted.click()
    expect(page.locator("#past-time")).to_have_text(re.compile("^00:01:0[12]"))
    with page.expect_download() as download:
        page.get_by_role("link", name="teeth.png").click()
    assert download.value.path().read_bytes() == b"not a picture at all"
    page.get_by_role("button", name="the time of teeth.png").click()
    expect(page.locator("#past-time")).to_have_text(re.compile("^00:01:30"))
    assert faults == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_nobody_writes_where_nothing_may_be_written(browser: Browser, serve, folder: Path):
    """The notes are listed, and there is no box."""
    page = browser.new_page()
    page.goto(f"{serve(folder, '--read-only')}/replay/overheat")
    expect(page.locator("#past-notes")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#past-note-form")).to_have_count(0)
    page.close()
