"""Live and Replay as a person meets them, in a real browser against real processes."""

import os
import re
import signal
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from logger.store.reading.reader import RecordingReader
from replay.recording import Recording
from tests.support.browser import SHOWN_PAGE, box_of, first_held, wait_for_address

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
DEMO = Path(__file__).parents[2] / "recordings" / "demo-overheat"
# Goes to two views of the recording one after the other, as with the browser's own buttons.
TWO_VIEWS = """() => {
  for (const from of [60, 120]) {
    history.pushState(null, "", `?from=${from}&to=${from + 30}`);
    dispatchEvent(new PopStateEvent("popstate"));
  }
}"""
MOVES = """() => {
  const traces = document.querySelector('#live-sheet .plot').data || [];
  const seen = {};
  for (const t of traces) {
    const y = t.y.filter((v) => v !== null);
    seen[t.meta.joint + ' ' + t.meta.channel + ' ' + t.meta.role] = new Set(y).size;
  }
  return seen;
}"""


def _page(browser: Browser, address: str, *, width: int = 1440) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(address)
    return page, faults


def _drawn(page: Page) -> int:
    return int(page.locator("#live-sheet").get_attribute("data-drawn") or 0)


def test_live(browser: Browser, bench, serve, until):
    """Both joints move in all four rows, a note lands, a trip is acknowledged, losses are said."""
    limits = bench.limits.read_text("utf-8").replace("above       = 80.0", "above       = 60.0")
    bench.limits.write_text(limits.replace("drop_off    = 76.0", "drop_off    = 55.0"), "utf-8")
    bench.joints()
    process, path = bench.logger("--name", "Browser <test>")
    address = serve(bench.recordings)
    page, faults = _page(browser, address)

    expect(page.locator("#live-name")).to_have_text("Browser <test>", timeout=PATIENCE_MS)
    page.get_by_role("button", name="10 s", exact=True).click()
    for joint in ("shoulder", "elbow"):
        expect(page.locator(f'[data-joint="{joint}"] .far .value')).to_have_text(
            re.compile(r"\d\d"), timeout=PATIENCE_MS
        )
    expect(page.locator('[data-joint="elbow"] .model')).to_have_text(
        "no model: straight trend", timeout=PATIENCE_MS
    )

    def moving() -> bool:
        seen = page.evaluate(MOVES)
        kinds = {key.rsplit(" ", 1)[0]: most for key, most in seen.items()}
        wanted = ("torque_Nm", "speed_rad_s", "position_rad")
        hot = [key for key in kinds if "temperature_housing_degC" in key]
        return len(hot) == 2 and all(
            kinds.get(f"{joint} {channel}", 0) > 20
            for joint in ("shoulder", "elbow")
            for channel in wanted
        )

    until(moving, "all four channels of both joints are drawn and move")
    drawn = _drawn(page)
    until(lambda: _drawn(page) > drawn + 10, "the picture goes on")

    page.locator("#live-note").fill("fan off <i>&")
    page.get_by_role("button", name="Write it in").click()
    reader = RecordingReader(path)

    def events(kind: str) -> list:
        reader.refresh()
        return [event for event in reader.read_events() if event.kind == kind]

    until(lambda: [e.text for e in events("note")] == ["fan off <i>&"], "the note is recorded")
    expect(page.locator("#live-sheet .over")).to_contain_text("fan off <i>&", timeout=PATIENCE_MS)

    trip = page.locator(".alert.danger")
    expect(trip).to_contain_text("Trip: shoulder housing at or above 60 °C", timeout=PATIENCE_MS)
    expect(trip.get_by_role("button", name="Shelve 30 min")).to_have_count(0)
    trip.get_by_role("button", name="Acknowledge").click()
    until(lambda: events("acknowledged"), "the acknowledgement is recorded")
    expect(page.locator('[data-joint="shoulder"] .state')).to_contain_text("Trip")

    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    expect(page.locator("#live-lost")).to_contain_text("The logger stopped", timeout=PATIENCE_MS)
    expect(page.locator('[data-joint="elbow"] .state')).to_contain_text(
        "No data", timeout=PATIENCE_MS
    )

    _, second = bench.logger("--name", "After it")
    expect(page.locator("#live-name")).to_have_text("After it", timeout=PATIENCE_MS)
    expect(page.locator("#live-lost")).to_have_text("", timeout=PATIENCE_MS)
    assert second != path
    assert faults == []
    page.close()


def test_replay_finds_the_overheat(browser: Browser, serve_once):
    """The shipped recording: its trip is found, named, gone to, measured, and the view shared."""
    if not DEMO.exists():
        pytest.fail("recordings/demo-overheat is missing: make demo-recording")
    address = serve_once(DEMO.parent)
    page, faults = _page(browser, f"{address}/replay")
    page.locator("#past-list a").filter(has_text="Fan failure").click()
    expect(page.locator("#past-name")).to_have_text("Fan failure, pick and place")
    trip = page.locator('.exc[data-severity="trip"]')
    expect(trip).to_have_count(1, timeout=PATIENCE_MS)
    expect(trip).to_contain_text("shoulder housing at or above 80 °C")
    expect(trip).to_contain_text("RMS torque")
    trip.click()
    expect(trip).to_have_attribute("aria-current", "true")
    expect(page.locator("#past-rows .over")).to_contain_text("housing at or above 80 °C")
    recording = Recording.open(DEMO)
    began = next(
        event
        for event in recording.read_events()
        if event.limit == "housing-hot" and event.kind == "raised"
    )
    at_s = (began.time_ns - recording.start_ns) // 1_000_000_000
    expect(page).to_have_url(
        re.compile(rf"/replay/demo-overheat\?from=[\d.]+&to=[\d.]+&at={at_s}"), timeout=PATIENCE_MS
    )

    page.get_by_role("button", name="1 min", exact=True).click()
    expect(page.locator("#past-rows")).not_to_have_class(re.compile("busy"))
    box = box_of(page.locator("#past-rows"))
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=5)
    page.mouse.up()
    expect(page.locator("#past-span")).to_contain_text("Dragged span", timeout=PATIENCE_MS)
    expect(page.locator("#past-span")).to_contain_text("no gap; weighted by time")
    expect(page.locator("#past-span tbody tr")).to_have_count(8)

    page.keyboard.press("Escape")
    expect(page.locator("#past-span")).to_contain_text("Drag over the traces")
    before = page.locator("#past-time").inner_text()
    page.keyboard.press(" ")
    expect(page.locator("#past-time")).not_to_have_text(before, timeout=PATIENCE_MS)
    page.keyboard.press(" ")
    page.keyboard.press("[")
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.keyboard.press("Escape")

    shared = wait_for_address(page)
    expect(page.locator("#past-rows")).not_to_have_class(re.compile("busy"))
    shown = page.locator("#past-window").inner_text()
    page.goto("about:blank")
    page.goto(shared)
    expect(page.locator("#past-window")).to_have_text(shown, timeout=PATIENCE_MS)

    # The answer to the first comes last, and is not shown.
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route("**/overview?*", hold, times=1)
    page.evaluate(TWO_VIEWS)
    expect(page.locator("#past-window")).to_have_text(re.compile("^00:02:00.* to 00:02:30"))
    with page.expect_response("**/overview?*") as late:
        first_held(page, held).continue_()
    late.value.finished()
    page.evaluate("new Promise((done) => setTimeout(done, 100))")
    assert page.evaluate(f"async () => {SHOWN_PAGE}.view") == [120, 150]
    assert faults == []
    page.close()


def test_an_empty_folder_says_what_to_do_next(browser: Browser, nothing_recorded: str):
    """Nothing recorded: both pages say so, and how to begin."""
    page, faults = _page(browser, nothing_recorded)
    expect(page.locator("#live-empty")).to_contain_text(
        "Nothing is being recorded", timeout=PATIENCE_MS
    )
    expect(page.locator("#live-empty")).to_contain_text("dutytrace demo")
    page.get_by_role("link", name="Replay").click()
    expect(page.locator("#past-empty")).to_contain_text(
        "There are no recordings", timeout=PATIENCE_MS
    )
    assert faults == []
    page.close()


def test_a_phone_scrolls_one_way_only(browser: Browser, serve_once):
    """At 390 px nothing stands beside the page."""
    address = serve_once(DEMO.parent)
    for path, shown in (
        ("/", "#live-empty .lede"),
        ("/replay/demo-overheat", "#past-rows[data-drawn]"),
    ):
        page, faults = _page(browser, address + path, width=390)
        expect(page.locator(shown).first).to_be_visible()
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390, path
        assert faults == []
        page.close()
