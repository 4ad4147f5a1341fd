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


LIMITS = """
format = 1
[[limit]]
name = "winding-warm"
kind = "level"
severity = "warning"
channel = "temperature_winding_degC"
above = 85.0
[[limit]]
name = "winding-hot"
kind = "level"
severity = "trip"
channel = "temperature_winding_degC"
above = 110.0
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with load steps of one joint, a limit in force about its temperatures."""
    made = tmp_path_factory.mktemp("heat")
    record_stepped(made / "steps", limits=LIMITS)
    return made


def _fitted(page: Page) -> None:
    expect(page.locator("#heat[data-state=fitted]")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#heat-lost")).to_be_empty()


def test_rules_are_turned(browser: Browser, serve_once, folder: Path):
    """The page waits for its fit; then the sentence follows ambient, temperature and motion."""
    page = browser.new_page(viewport={"width": 1440, "height": 1000})
    in_force = Recording.open(folder / "steps").limit_sets
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve_once(folder)}/heat/steps")
    _fitted(page)
    told = page.locator("#heat-said .answer-sentence")
    expect(told).to_contain_text("for ever at 40 °C with its winding at 110 °C")
    before = page.locator("#heat-said .answer-sentence .value").first.inner_text()
    expect(page.locator("#heat-curve .main-svg").first).to_be_visible()
    expect(page.locator("#heat-ladder .rung").first).to_be_attached()
    # The limits in force on what was measured are drawn over it.
    expect(page.locator("#heat-truth .shapelayer path")).to_have_count(2)
    expect(page.locator("#heat-truth")).to_contain_text("trip 110")
    beyond = page.locator("#heat-table .peak")
    expect(beyond).to_have_text("more than was ever recorded: 18 N·m")
    expect(page.locator("#heat-table tr.beyond").first).to_be_visible()
    expect(page.locator("#heat-for-ever tbody tr")).to_have_count(7)
    page.locator("#heat-room").focus()
    page.keyboard.press("Home")
    expect(told).to_contain_text("for ever at 0 °C")
    warmer = page.locator("#heat-said .answer-sentence .value").first
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
    assert Path(saved.value.path()).read_text().startswith("N·m,A,")
    # The load as it was, held against the joint at the temperature that is set.
    expect(page.locator("#heat-duty[data-state=shown]")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#heat-duty-answer")).to_contain_text("with its winding at 110")
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
    # The list of recordings is asked for again after a fault.
    page.route("**/api/bus/recordings*", lambda route: route.abort(), times=1)
    page.goto(f"{serve(tmp_path)}/heat/second")
    _fitted(page)
    expect(page.locator("#heat-lost")).to_be_empty()
    told = page.locator("#heat-said .answer-sentence")
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
    # Or the load alone is held against what the other one tells.
    page.get_by_role("button", name="Hold it against an earlier recording").click()
    others, load = page.locator("#heat-by-list"), page.locator("#heat-duty-answer")
    others.get_by_label("first").check(timeout=PATIENCE_MS)
    expect(load).to_contain_text("as fitted to first of 2026-", timeout=PATIENCE_MS)
    expect(load.get_by_role("link", name="held against, in Replay: first")).to_be_visible()
    expect(page).to_have_url(re.compile(r"[?&]by=first"))
    others.get_by_label("this recording itself").check()
    expect(load).not_to_contain_text("as fitted to", timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_what_cannot_be_fitted_is_said(browser: Browser, serve_once, folder: Path):
    """A sentence in the place of the answer, and the way back is open."""
    page = browser.new_page(viewport={"width": 390, "height": 844})
    address = serve_once(folder)
    page.goto(f"{address}/heat/steps?ambient=95degC")
    expect(page.locator("#heat[data-state=refused]")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#heat-said")).to_contain_text("above every temperature of a")
    expect(page.locator("#heat-borne")).to_be_hidden()
    page.goto(f"{address}/heat/nothing-of-the-kind")
    expect(page.locator("#heat-lost")).to_contain_text("cannot be shown", timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


PLAN = "time_s,torque_Nm\n0,6\n60,0\n90,0\n"


def _drop(page: Page, name: str, text: str) -> None:
    """Let a file go over the sentence, as from a folder beside the browser."""
    page.evaluate(
        """([name, text]) => {
            const dataTransfer = new DataTransfer();
            dataTransfer.items.add(new File([text], name, { type: "text/csv" }));
            const how = { dataTransfer, bubbles: true, cancelable: true };
            document.querySelector("#heat-said").dispatchEvent(new DragEvent("drop", how));
        }""",
        [name, text],
    )


def test_a_motion_is_tried_and_an_ambient_typed(browser: Browser, serve, folder: Path):
    """A file chosen or dropped, changed by fields of the address; readings in local time."""
    page = browser.new_page(viewport={"width": 390, "height": 844}, timezone_id="Europe/Berlin")
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.on("dialog", lambda dialog: faults.append(dialog.message))
    # Fields in an address open the section, which asks for the file that no address holds.
    page.goto(f"{serve(folder, '--read-only')}/heat/steps?factor=1.5")
    _fitted(page)
    told, lines = page.locator("#heat-motion-answer"), page.locator("#heat-motion-lines")
    expect(told).to_contain_text("Choose a CSV file")
    page.locator("#heat-motion-file").set_input_files(
        {"name": "pick.csv", "mimeType": "text/csv", "buffer": PLAN.encode()}
    )
    expect(told).to_contain_text("pick.csv, its load times 1.5 at 40 °C, again and again for ever")
    expect(lines).to_contain_text("9 N·m at most")
    page.locator("#heat-times").fill("3")
    expect(told).to_contain_text("3 times")
    expect(page).to_have_url(re.compile(r"factor=1\.5&times=3$"))
    page.locator("#heat-times").fill("0")
    expect(told).to_contain_text("how often: ")
    # What a file holds is told as text, whatever it is.
    _drop(page, "<img src=x onerror=alert(1)>.csv", "<img src=x onerror=alert(2)>\n1\n2\n")
    page.locator("#heat-times").fill("")
    expect(told).to_contain_text(
        "found one column '<img src=x onerror=alert(2)>' in its first line"
    )
    expect(page.locator("#heat-motion img")).to_have_count(0)
    _drop(page, "long.csv", "x" * 300_000)
    expect(told).to_contain_text("long.csv: found 300 kB, expected at most 250 kB")
    # The recording begins at 12:06:40 by the reader's clock.
    page.locator("#heat-ambient").select_option("typed by hand")
    page.locator("#heat-typed-field").fill("10:00 21degC")
    page.locator("#heat-typed-field").press("Enter")
    expect(page.locator("#heat-said")).to_contain_text(
        "ambient: found '10:00 21degC', which was not read while it was recorded"
    )
    page.locator("#heat-typed-field").fill("12:00 21degC; 13:30 21.5degC")
    page.locator("#heat-typed-field").press("Enter")
    _fitted(page)
    expect(page.locator("#heat-assumed")).to_contain_text("read", timeout=PATIENCE_MS)
    dated = "2026-11-18 12:00+01:00 21degC; 2026-11-18 13:30+01:00 21.5degC"
    expect(page.locator("#heat-typed-field")).to_have_value(dated)
    expect(page).to_have_url(re.compile(r"ambient=2026-11-18\+12%3A00%2B01%3A00"))
    page.reload()
    _fitted(page)
    expect(page.locator("#heat-typed-field")).to_have_value(dated)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert not faults
