"""The Bus page as a person meets it, in a real browser against real processes."""

import os
import re
import shutil
import signal
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.support.browser import SHOWN_PAGE, box_of, first_held
from tests.support.buses import asking_bus, two_buses

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
DEMO = Path(__file__).parents[3] / "recordings" / "demo-overheat"
# The page is put up anew after the address took a view that rests; the list comes after that.
ANSWER_LATE = """() => {
  const fetchNow = window.fetch;
  window.fetch = async (...asked) => {
    const address = String(asked[0].url || asked[0]);
    const waits_ms = { "/bus/recordings": 900, "_dash-update": 500 };
    const late = Object.keys(waits_ms).find((part) => address.includes(part));
    await new Promise((done) => setTimeout(done, waits_ms[late] || 0));
    return fetchNow(...asked);
  };
}"""
# Chooses another recording and goes back as soon as it is shown: before the address took its view.
BACK_AT_ONCE = """() => new Promise((done) => {
  const name = document.getElementById("heard-name");
  const shown = new MutationObserver(() => {
    if (!name.textContent.startsWith("Fan")) return;
    shown.disconnect();
    history.back();
    setTimeout(done, 1000);
  });
  shown.observe(name, { childList: true, characterData: true, subtree: true });
  const choice = document.getElementById("heard-select");
  choice.value = "demo-overheat";
  choice.dispatchEvent(new Event("change", { bubbles: true }));
})"""
SPAN_S = f"async () => {SHOWN_PAGE}.shownSpan()"
HELD_S = f"async () => {SHOWN_PAGE}.span"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with two buses, the same from an older recorder, and the shipped recording."""
    made = tmp_path_factory.mktemp("bus")
    two_buses(made / "two")
    two_buses(made / "old", each_bus=False)
    asking_bus(made / "asked")
    shutil.copytree(DEMO, made / "demo-overheat")
    return made


def _page(browser: Browser, address: str, *, width: int = 1440) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 1000})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(address)
    return page, faults


def _drawn(page: Page) -> None:
    expect(page.locator("#heard-rows[data-drawn]")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#heard-rows")).not_to_have_class(re.compile("busy"), timeout=PATIENCE_MS)


def _column(page: Page, number: int) -> list[str]:
    return page.locator(f"#heard-talkers tbody td:nth-child({number})").all_inner_texts()


def test_a_past_recording(browser: Browser, serve_once, folder: Path):
    """Both buses, who talked, what was not decoded, what happened; the table is sorted by any."""
    page, faults = _page(browser, f"{serve_once(folder)}/bus/two")
    _drawn(page)
    expect(page.locator("#heard-name")).to_have_text("Two buses")
    left = page.locator('tr[data-bus="left"]')
    heads, cells = (
        page.locator(f"table.buses {one}").evaluate_all(
            "all => all.map((one) => Math.round(one.getBoundingClientRect().right))"
        )
        for one in ("th", 'tr[data-bus="left"] td')
    )
    assert heads == cells, "each figure under its heading"
    expect(left).to_contain_text("error frames, frames lost")
    expect(page.locator('tr[data-bus="right"]')).to_contain_text("once, 10 s")
    expect(page.locator("#heard-rows")).to_have_attribute(
        "aria-label", re.compile(r"left: load 2\.6 % on average")
    )
    expect(page.locator("#heard-rows .over")).to_contain_text("128 frames lost")
    assert _column(page, 1) == ["0x283", "0x284", "0x7A1"]
    expect(page.locator("#heard-undecoded")).to_contain_text("too short")
    expect(page.locator("#heard-hints")).to_contain_text("no frame fits its layout")

    frames = page.locator('button[data-column="count"]')
    frames.click()
    assert _column(page, 1) == ["0x283", "0x7A1", "0x284"]
    expect(page.locator("th", has=frames)).to_have_attribute("aria-sort", "descending")
    frames.press("Enter")
    assert _column(page, 1) == ["0x284", "0x7A1", "0x283"]
    expect(frames).to_be_focused()
    page.locator('button[data-column="joint"]').click()
    assert _column(page, 2) == ["nobody", "shoulder", "wrist"]

    page.locator(".exc", has_text="128 frames were lost").click()
    expect(page.locator("#heard-span")).to_have_text("00:01:55.0 to 00:02:05.0")
    expect(page).to_have_url(re.compile(r"/bus/two\?bus=left&span0=115&span1=125"))
    page.locator(".exc", has_text="went away").click()
    expect(page.locator("#heard-title")).to_have_text("Traffic in 10 s, right")
    expect(page.locator("#heard-span")).to_have_text("00:01:25.0 to 00:01:35.0")
    page.get_by_role("button", name="left").click()
    expect(page.locator("#heard-title")).to_have_text("Traffic in 10 s, left")
    assert faults == []
    page.close()


def test_a_span_is_chosen_by_hand_and_shared(browser: Browser, serve_once, folder: Path):
    """A click looks there at that row's bus, a drag takes what was dragged; the address has it."""
    page, faults = _page(browser, f"{serve_once(folder)}/bus/two")
    _drawn(page)
    box = box_of(page.locator("#heard-rows"))
    meta = page.evaluate(f"async () => {SHOWN_PAGE}.answer.figure.layout.meta")
    assert box is not None
    left, right, top, bottom = meta["margin"]
    plot = (meta["size"][0] - left - right, meta["size"][1] - top - bottom)
    row = meta["rows"][1]
    y = box["y"] + top + plot[1] * (1 - sum(row["domain"]) / 2)

    def x(share: float) -> float:
        return box["x"] + left + plot[0] * share

    page.mouse.click(x(0.5), y)
    expect(page.locator("#heard-title")).to_have_text("Traffic in 10 s, right")
    expect(page.locator("#heard-span")).to_contain_text("00:01:25")
    expect(page.locator("#heard-hints")).not_to_contain_text("Nothing at all was heard")
    page.mouse.move(x(0.2), y)
    page.mouse.down()
    page.mouse.move(x(0.3), y, steps=4)
    page.mouse.up()
    expect(page.locator("#heard-title")).to_have_text("Traffic in 18 s, right")
    expect(page).to_have_url(re.compile(r"bus=right&span0=3[56]\.?\d*&span1=5[34]"))
    shared, shown = page.url, page.locator("#heard-span").inner_text()
    page.goto("about:blank")
    page.goto(shared)
    expect(page.locator("#heard-span")).to_have_text(shown, timeout=PATIENCE_MS)
    expect(page.locator("#heard-title")).to_have_text("Traffic in 18 s, right")
    assert faults == []
    page.close()


def test_all_of_it_by_keyboard(browser: Browser, serve_once, folder: Path, until):
    """Spans, pictures, events and buses are reached without a pointer; the keys are listed."""
    page, faults = _page(browser, f"{serve_once(folder)}/bus/two?span0=50&span1=60")
    _drawn(page)
    span = page.locator("#heard-span")
    for key, shown in (
        ("ArrowRight", "00:01:00.0 to 00:01:10.0"),
        ("ArrowLeft", "00:00:50.0 to 00:01:00.0"),
        ("]", "00:00:57.0 to 00:01:07.0"),
        ("]", "00:01:25.0 to 00:01:35.0"),
        ("[", "00:00:57.0 to 00:01:07.0"),
    ):
        page.keyboard.press(key)
        expect(span).to_have_text(shown, timeout=PATIENCE_MS)
    page.keyboard.press("+")
    expect(page.locator("#heard-shown")).not_to_have_text("00:00:00 to 00:03:00")
    page.keyboard.press("-")
    expect(page.locator("#heard-shown")).to_have_text("00:00:00 to 00:03:00")
    page.keyboard.press("b")
    expect(page.locator("#heard-title")).to_contain_text("right")
    page.keyboard.press("f")
    expect(page.locator("#heard-follow")).to_have_attribute("aria-pressed", "true")
    expect(span).to_contain_text("00:02:49.9 to")
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_contain_text("Bus: next bus")
    page.keyboard.press("Escape")
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.dataset.column") == "period":
            break
    page.keyboard.press("Enter")
    expect(page.locator("th[aria-sort=descending]")).to_contain_text("period")

    # What is chosen while an answer is on its way is not taken back by it.
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    title = page.locator("#heard-title")
    expect(title).to_contain_text("right")
    page.route("**/two/bus?*", hold, times=1)
    page.get_by_role("button", name="Earlier").click()
    page.keyboard.press("b")
    page.keyboard.press("+")
    until(lambda: page.evaluate("1") and held, "the page asks")
    first_held(page, held).continue_()
    expect(title).to_contain_text("left")
    expect(page.locator("#heard-shown")).not_to_have_text("00:00:00 to 00:03:00")
    assert faults == []
    page.close()


def test_pages_lead_to_each_other(browser: Browser, serve_once, folder: Path):
    """From Replay the same recording is opened, and back; another is chosen from the list."""
    page, faults = _page(browser, f"{serve_once(folder)}/replay/two")
    expect(page.locator("#past-name")).to_have_text("Two buses", timeout=PATIENCE_MS)
    page.get_by_role("link", name="Bus", exact=True).click()
    expect(page.locator("#heard-name")).to_have_text("Two buses", timeout=PATIENCE_MS)
    expect(page).to_have_url(re.compile(r"/bus/two"))
    _drawn(page)
    page.evaluate(ANSWER_LATE)
    page.evaluate(BACK_AT_ONCE)
    expect(page.locator("#heard-name")).to_have_text("Two buses", timeout=PATIENCE_MS)
    page.get_by_label("Recording", exact=True).select_option("demo-overheat")
    expect(page.locator("#heard-name")).to_have_text("Fan failure, pick and place")
    expect(page.locator("#heard-caution")).to_contain_text("no load and no error frames")
    expect(page.locator("#heard-talkers tbody tr")).to_have_count(6)
    page.go_back()
    expect(page.locator("#heard-name")).to_have_text("Two buses", timeout=PATIENCE_MS)
    page.get_by_role("link", name="Open it in Replay").click()
    expect(page.locator("#past-name")).to_have_text("Two buses", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_live(browser: Browser, bench, serve, until):
    """While it is written, figures come by themselves, a span can be held, and its end is seen."""
    bench.joints()
    process, _ = bench.logger("--name", "Live buses")
    page, faults = _page(browser, f"{serve(bench.recordings)}/bus")
    expect(page.locator("#heard-name")).to_have_text("Live buses", timeout=PATIENCE_MS)
    expect(page.locator("#heard-when")).to_contain_text("still recording")
    expect(page.locator("#heard-talkers tbody tr")).to_have_count(6, timeout=PATIENCE_MS)

    def drawn() -> int:
        return int(page.locator("#heard-rows").get_attribute("data-drawn") or 0)

    def goes_on() -> None:
        seen = drawn()
        until(lambda: drawn() > seen + 1, "the picture goes on by itself")

    goes_on()
    before = page.evaluate(SPAN_S)
    until(lambda: page.evaluate(SPAN_S)[1] > before[1], "the newest span is followed")
    page.get_by_role("button", name="Earlier").click()
    expect(page.get_by_role("button", name="Go to the newest")).to_be_visible(timeout=PATIENCE_MS)
    held = pytest.approx(page.evaluate(HELD_S), abs=0.01)
    until(lambda: page.evaluate(SPAN_S) == held, "the span that is held is shown")
    goes_on()
    assert page.evaluate(SPAN_S) == held
    os.kill(process.pid, signal.SIGTERM)
    process.wait(60)
    expect(page.locator("#heard-when")).not_to_contain_text("still recording", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_a_lost_server_is_said_and_found_again(browser: Browser, bench, serve, folder: Path):
    """The page says since when nothing came, and goes on when the server is back."""
    address = serve(folder)
    server = bench.processes()[-1]
    page, _ = _page(browser, f"{address}/bus/two")
    _drawn(page)
    server.send_signal(signal.SIGTERM)
    server.wait(60)
    expect(page.locator("#heard-lost")).to_contain_text(
        "heard nothing from the server", timeout=PATIENCE_MS
    )
    port = address.rsplit(":", 1)[1]
    again = bench.start("dutytrace", "dashboard", "--recordings", str(folder), "--port", port)
    assert again.stdout.readline().startswith("The pages are at ")
    expect(page.locator("#heard-lost")).to_have_text("", timeout=PATIENCE_MS)
    page.close()


def test_empty_states_say_what_to_do(browser: Browser, nothing_recorded: str):
    """No recording, and none of that name: both are said, with the next step."""
    page, faults = _page(browser, f"{nothing_recorded}/bus")
    expect(page.locator("#heard-empty")).to_contain_text(
        "There are no recordings", timeout=PATIENCE_MS
    )
    expect(page.locator("#heard-empty")).to_contain_text("dutytrace bus bench.toml")
    for name, said in (
        ("nothing", "there is no recording named 'nothing'"),
        ("..%2f..", "There is no recording of that name"),
    ):
        page.goto(f"{nothing_recorded}/bus/{name}")
        expect(page.locator("#heard-lost")).to_contain_text(said, timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_a_phone_scrolls_one_way_only(browser: Browser, serve_once, folder: Path):
    """At 390 px nothing stands beside the page, and what is to be touched is 44 px high."""
    page, faults = _page(browser, f"{serve_once(folder)}/bus/two", width=390)
    _drawn(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for name in ("Earlier", "Later", "10 s"):
        box = page.get_by_role("button", name=name, exact=True).bounding_box()
        assert box is not None
        assert box["height"] >= 44, name
    assert faults == []
    page.close()


def test_unanswered_requests_stand_in_the_bus_row(browser: Browser, serve_once, folder: Path):
    """How many, in a column of its own, and that this bus is not in order."""
    page, faults = _page(browser, f"{serve_once(folder)}/bus/asked")
    _drawn(page)
    expect(page.locator('td[data-head="unanswered"]')).to_have_text("15")
    expect(page.locator("table.buses td.says")).to_contain_text("requests unanswered")
    assert faults == []
    page.close()
