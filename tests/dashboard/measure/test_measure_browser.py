"""The Measure page as a person meets it at the bench, in a real browser against a real logger."""

import json
import re
import urllib.error
import urllib.request
from pathlib import Path
from urllib.parse import quote

import pytest
from playwright.sync_api import Browser, expect

from logger.store.reading.findings import read_findings
from tests.support.findings import small_recording

PATIENCE_MS = 60_000


@pytest.mark.browser
def test_from_the_first_caution_to_the_kept_finding(browser: Browser, serve, bench, until):
    """Cautions once, a refused reading, three good ones, the answer kept; a span while it lives."""
    bench.joints()
    _, recording = bench.logger()
    page = browser.new_page(viewport={"width": 390, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve(bench.recordings)}/measure")
    kinds = page.locator("#measure-kinds")
    kinds.get_by_role("button", name="A value read off").click(timeout=PATIENCE_MS)
    caution = page.locator("#measure-caution")
    expect(caution).to_contain_text("no safety function", timeout=PATIENCE_MS)
    expect(page.locator("#measure-guided")).to_be_hidden()
    caution.get_by_role("button", name="I have read this").click()
    expect(page.locator("#measure-steps [aria-current=step]")).to_contain_text(
        "Read off", timeout=PATIENCE_MS
    )
    expect(caution).to_contain_text("drive off and unplugged", timeout=PATIENCE_MS)
    form = page.locator("#measure-typed form").first
    form.get_by_label("its name").fill("mass")
    form.get_by_label("it is read to").fill("1 g")
    for reading, have in (("heavy", 0), ("0.612 kg", 1), ("613 g", 2), ("0.612 kg", 3)):
        form.get_by_label("value with unit").fill(reading)
        form.get_by_role("button", name="Type it in").click()
        if not have:
            expect(page.locator("#measure-refused")).to_contain_text(
                "mass: Found 'heavy'", timeout=PATIENCE_MS
            )
            continue
        expect(page.locator("#measure-have li")).to_have_count(have, timeout=PATIENCE_MS)
    result = page.locator("#measure-result")
    expect(result.locator(".far-value")).to_have_text("0.612kg", timeout=PATIENCE_MS)
    expect(page.locator("#measure-missing")).to_have_text(
        "Nothing is missing.", timeout=PATIENCE_MS
    )
    expect(page).to_have_url(re.compile("kind=value.*readings=mass"), timeout=PATIENCE_MS)
    result.get_by_role("button", name="Keep it").click()
    expect(result).to_contain_text("Kept in this recording as", timeout=PATIENCE_MS)
    until(lambda: read_findings(recording).current, "the recorder has written the finding")
    assert read_findings(recording).current[0].quantities[0].name == "mass"
    # The same bench with a span: what the joint does, and what the evaluation still lacks of it.
    kinds.get_by_role("button", name="Backlash").click()
    page.locator("#measure-ways").get_by_role("button", name="from loops of torque").click()
    caution.get_by_role("button", name="I have read this").click()
    expect(page.locator("#measure-value .far-value b")).to_have_text(
        re.compile(r"\d"), timeout=PATIENCE_MS
    )
    page.get_by_role("button", name="Begin loop1").click()
    missing = page.locator("#measure-missing li").first
    expect(missing).to_contain_text(re.compile("expected"), timeout=PATIENCE_MS)
    # What has to keep right meanwhile stands below the value.
    expect(page.locator("#measure-watched")).to_contain_text("below 5 K", timeout=PATIENCE_MS)
    page.get_by_role("button", name="Done: loop1").click()
    expect(page.locator("#measure-have li")).to_contain_text(
        re.compile(r"loop1 [\d.]+ to"), timeout=PATIENCE_MS
    )
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    # Live ticks off what the recording answers, and leads to what comes next.
    page.get_by_role("navigation").get_by_role("link", name="Live").click()
    ticked = page.locator("#live-measured")
    expect(ticked).to_contain_text("shoulder: a value read off measured; ", timeout=PATIENCE_MS)
    ticked.get_by_role("link", name="turns next").click()
    expect(caution).to_contain_text("Before the first step", timeout=PATIENCE_MS)
    expect(page.locator("#measure-title")).to_have_text("Turns", timeout=PATIENCE_MS)
    assert not faults
    page.close()


def _ask(address: str, body: dict[str, str] | None = None) -> tuple[int, dict]:
    headers = {"content-type": "application/json", "origin": address[: address.index("/api")]}
    data = None if body is None else json.dumps(body).encode()
    try:
        with urllib.request.urlopen(
            urllib.request.Request(address, data=data, headers=headers), timeout=40
        ) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as fault:
        with fault:
            return fault.code, json.loads(fault.read())


def test_nothing_is_kept_where_nothing_may_be_written(serve, tmp_path: Path):
    """It is measured all the same, and the page knows that it cannot be kept."""
    small_recording(tmp_path / "day")
    api = f"{serve(tmp_path, '--read-only')}/api/measure"
    assert _ask(api)[1]["writes"] is False
    fields = {"kind": "value", "joint": "a", "readings": "mass=1 kg", "divisions": "mass=1 g"}
    query = "&".join(f"{key}={quote(value)}" for key, value in fields.items())
    status, answer = _ask(f"{api}/day?{query}")
    assert (status, answer["measured"]["result"]["value"]) == (200, "1.000")
    status, refused = _ask(f"{api}/day/keep", fields)
    assert status == 403
    assert "read-only" in refused["fault"]
    assert not read_findings(tmp_path / "day").findings
    assert _ask(f"{api}/day?kind=guess")[0] == 400
