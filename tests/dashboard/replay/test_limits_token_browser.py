"""Replay under other limits, and with thousands of excursions, in a real browser."""

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest
from playwright.sync_api import Browser, Page, Route, expect

from dashboard.replay.limits_token import encode_token
from logger.store.layout.events import Event, events_table
from logger.store.layout.files import sync_folder
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import write_part
from replay.recording import Recording
from tests.support.browser import first_held
from tests.support.parts import owner_of

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000

S = 1_000_000_000
EARLY = """format = 1
[[limit]]
name = "early-warm"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 74.0
"""
WORDS = "Evaluated with other limits: early warm; nothing here was raised at the time."


def _page(browser: Browser) -> Page:
    return browser.new_page(viewport={"width": 1440, "height": 900})


def test_other_limits_judge_and_it_is_said(
    browser: Browser, serve_once: Callable, overheat: Recording
):
    """While it is worked out, afterwards, through zoom; and back to what was recorded."""
    address = f"{serve_once(overheat.path.parent)}/replay/{overheat.path.name}"
    page = _page(browser)

    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route("**/overview?*", hold, times=1)
    page.goto(f"{address}?judged={encode_token(EARLY)}")
    line = page.locator("#past-judged")
    expect(line).to_contain_text("Working out", timeout=PATIENCE_MS)
    first_held(page, held).continue_()
    expect(line).to_contain_text(WORDS, timeout=PATIENCE_MS)
    expect(page.locator("#past-rows[data-drawn]")).to_be_visible(timeout=PATIENCE_MS)
    limits = page.locator(".exc")
    expect(limits.first).to_have_attribute("data-limit", "early-warm")
    expect(limits.first.locator(".led")).to_contain_text("RMS torque", timeout=PATIENCE_MS)
    expect(limits.first.locator(".tiny .stroke")).to_be_attached()
    limits.first.click()
    expect(page).to_have_url(re.compile(r"from=.*judged="))
    expect(page.locator("#past-rows .over")).to_contain_text("housing at or above 74 °C")

    line.get_by_role("button", name="Back to what was recorded").click()
    expect(line).to_be_hidden()
    expect(page).not_to_have_url(re.compile("judged="))
    expect(page.locator('.exc[data-limit="housing-hot"]')).to_have_count(1)
    expect(page.locator('.exc[data-limit="early-warm"]')).to_have_count(0)
    page.go_back()
    expect(line).to_contain_text(WORDS, timeout=PATIENCE_MS)
    page.close()


def test_a_broken_link_says_so(browser: Browser, serve_once: Callable, overheat: Recording):
    """And leads back to what was recorded."""
    page = _page(browser)
    address = f"{serve_once(overheat.path.parent)}/replay/{overheat.path.name}"
    page.goto(f"{address}?judged={encode_token(EARLY)[:-7]}")
    expect(page.locator("#past-when")).to_contain_text("cut or changed", timeout=PATIENCE_MS)
    page.get_by_role("button", name="Back to what was recorded").click()
    expect(page.locator('.exc[data-limit="housing-hot"]')).to_have_count(1, timeout=PATIENCE_MS)
    expect(page).not_to_have_url(re.compile("judged="))
    page.close()


def _chattering(path: Path, count: int) -> None:
    """Put `count` alerts more at the end of a recording's events."""
    recording = Recording.open(path)
    first, sequence = recording.read_alerts()[0], len(recording.read_events())
    events: list[Event] = []
    for place in range(count):
        for kind, later_ns in (("raised", 0), ("returned", S // 4)):
            events.append(
                Event(
                    sequence=sequence + len(events),
                    time_ns=recording.start_ns + S + place * S // 2 + later_ns,
                    kind=kind,
                    joint=first.joint,
                    limit=first.limit,
                    severity=first.severity,
                    alert=1000 + place,
                    channel=first.channel,
                    value=first.peak,
                )
            )
    end = max(part.end_row for part in list_parts(path / "events"))
    table = pa.Table.from_batches([events_table(events)])
    write_part(path / "events", table, first_row=end, owner=owner_of(path, "events"))
    sync_folder(path / "events")


def test_thousands_of_excursions_stay_usable(
    browser: Browser, serve: Callable, overheat: Recording, tmp_path: Path
):
    """Some stand on the page at once, more come as the list is scrolled, each with its lead-up."""
    path = tmp_path / "chattering"
    shutil.copytree(overheat.path, path)
    had = len(overheat.read_alerts())
    _chattering(path, 3000)
    page = _page(browser)
    page.goto(f"{serve(tmp_path)}/replay/chattering")
    expect(page.locator("#past-count")).to_have_text(
        re.compile(r"^\d+ trips?, \d+ warnings$"), timeout=PATIENCE_MS
    )
    counts = [int(word) for word in re.findall(r"\d+", page.locator("#past-count").inner_text())]
    assert sum(counts) == 3000 + had
    rows = page.locator("#past-excursions .exc")
    expect(rows.nth(39).locator(".led")).to_contain_text("RMS torque", timeout=PATIENCE_MS)
    assert rows.count() <= 80
    for _ in range(3):
        before = rows.count()
        rows.last.scroll_into_view_if_needed()
        expect(rows.nth(before)).to_be_attached(timeout=PATIENCE_MS)
    assert rows.count() <= 240
    # Alerts that are nearer than a pixel are drawn as one.
    expect(page.locator("#past-rows[data-drawn]")).to_be_visible(timeout=PATIENCE_MS)
    assert page.locator("#past-strip .over rect").count() < 100
    page.close()
