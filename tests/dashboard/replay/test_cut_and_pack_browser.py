"""Cut out and packed as a person does it, in a real browser."""

import re
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from logger.store.tools.unpack import extract_recording
from replay.check import check_recording
from replay.recording import Recording
from tests.support.browser import box_of, wait_for_address

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder of its own with the overheat in it."""
    path = tmp_path / "recordings"
    shutil.copytree(overheat.path, path / "overheat")
    return path


def _page(browser: Browser, address: str, *, width: int = 1440) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(address)
    return page, faults


def test_a_dragged_span_is_cut_out_and_sent_on(
    browser: Browser, serve, folder: Path, tmp_path: Path
):
    """The button says what it takes; the cut is named with a link, listed, opened and packed."""
    address = serve(folder)
    page, faults = _page(browser, f"{address}/replay/overheat")
    cut = page.locator("#past-cut")
    expect(cut).to_have_text("Cut out this window", timeout=PATIENCE_MS)
    rows = page.locator("#past-rows")
    expect(rows).to_have_attribute("data-drawn", re.compile("[1-9]"), timeout=PATIENCE_MS)
    page.get_by_role("button", name="5 min", exact=True).click()
    expect(rows).not_to_have_class(re.compile("busy"))
    box = box_of(rows)
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=5)
    page.mouse.up()
    expect(cut).to_have_text("Cut out the dragged span", timeout=PATIENCE_MS)
    ends = [float(x) for x in re.findall(r"span[01]=([\d.]+)", wait_for_address(page))]
    cut.click()
    expect(page.locator("#past-made")).to_have_text(
        "Cut out as Overheat, cut out", timeout=PATIENCE_MS
    )
    expect(page.locator("#past-list tbody tr")).to_have_count(2, timeout=PATIENCE_MS)
    (made,) = (path for path in folder.iterdir() if path.name != "overheat")
    recording = Recording.open(made)
    assert (recording.end_ns - recording.start_ns) / 1e9 == pytest.approx(
        ends[1] - ends[0], abs=0.01
    )

    page.locator("#past-made a").click()
    expect(page.locator("#past-name")).to_have_text("Overheat, cut out", timeout=PATIENCE_MS)
    expect(page).to_have_url(re.compile(rf"/replay/{made.name}"), timeout=PATIENCE_MS)
    expect(page.locator("#past-made")).to_have_text("")
    with page.expect_download() as downloading:
        page.get_by_role("link", name="Pack as one file").click()
    assert downloading.value.suggested_filename == f"{made.name}.dutytrace.tar"
    downloading.value.save_as(tmp_path / "sent.tar")
    assert check_recording(
        Recording.open(extract_recording(tmp_path / "sent.tar", tmp_path / "theirs"))
    ).is_complete
    assert faults == []
    page.close()


def test_what_cannot_be_done_is_not_offered(browser: Browser, serve, folder: Path):
    """Read-only pages pack and cut nothing out; what the server refuses is said."""
    page, faults = _page(browser, f"{serve(folder, '--read-only')}/replay/overheat")
    expect(page.get_by_role("link", name="Pack as one file")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#past-cut")).to_have_count(0)
    page.close()

    page, more = _page(browser, f"{serve(folder)}/replay/overheat", width=390)
    expect(page.locator("#past-cut")).to_be_visible(timeout=PATIENCE_MS)
    (folder / "overheat" / "recording.json").unlink()
    page.locator("#past-cut").click()
    expect(page.locator("#past-made")).to_contain_text("is no recording", timeout=PATIENCE_MS)
    expect(page.locator("#past-cut")).to_be_enabled()
    assert faults + more == []
    page.close()
