"""The Layout page in a real browser: from the steps to the layout."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Route, expect

from tests.support.browser import first_held
from tests.support.unknown_drive import STEPS_QUERY, record_unknown


@pytest.mark.browser
def test_from_the_steps_to_the_layout(browser: Browser, serve_once, tmp_path_factory):
    """Times and numbers are typed, a layout is proposed, decided and made; on a narrow screen."""
    folder: Path = tmp_path_factory.mktemp("unknown")
    record_unknown(folder / "unknown")
    page = browser.new_page(viewport={"width": 390, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{serve_once(folder)}/layout")
    expect(page.locator("#found-caution")).to_contain_text("sends nothing")
    find = page.get_by_role("button", name="Propose a layout")
    expect(find).to_be_disabled()
    for step in ("rest", "turn", "load", "warm"):
        begin, end = STEPS_QUERY[step].split("-")
        page.get_by_label(f"{step}: from s").fill(begin)
        page.get_by_label(f"{step}: to s").fill(end)
        page.get_by_label(f"{step}: to s").press("Tab")
        expect(page.get_by_label(f"{step}: to s")).to_have_value(end)
        expect(page.get_by_label(f"{step}: from s")).to_have_value(begin)
    typed = {
        key: page.locator(f"#found-typed input[name={key}]")
        for key in ("ambient", "supply", "mass", "arm")
    }
    for key in ("ambient", "supply"):
        typed[key].fill(STEPS_QUERY[key])
        typed[key].press("Tab")
    # What is typed meanwhile stays when the answer to what was typed before arrives.
    held: list[Route] = []
    asked = re.compile(r"/api/.*mass=2")
    page.route(asked, lambda route: held.append(route))  # noqa: PLW0108 - no builtin
    typed["mass"].fill(STEPS_QUERY["mass"])
    typed["mass"].press("Tab")
    typed["arm"].fill(STEPS_QUERY["arm"])
    with page.expect_response(asked):
        first_held(page, held).continue_()
    page.unroute(asked)
    expect(page).to_have_url(re.compile("mass=2"))
    page.wait_for_timeout(200)
    expect(typed["arm"]).to_be_focused(timeout=1000)
    expect(typed["arm"]).to_have_value(STEPS_QUERY["arm"])
    typed["arm"].press("Tab")
    expect(page).to_have_url(re.compile("turn=5.5-21.5.*arm=0.4"))
    find.click()
    values = page.locator(".found-value")
    expect(values.first).to_contain_text("position")
    expect(page.locator("#found-curves .main-svg").first).to_be_visible()
    count = values.count()
    for number in range(count):
        values.nth(number).get_by_role("button", name="Confirm").click()
    making = page.locator("#found-made")
    expect(making).to_contain_text("Every value is decided.")
    page.get_by_role("button", name="Make the layout").click()
    expect(making).to_contain_text("expected that of whoever decides")
    making.get_by_label("Decided by").fill("A. Body")
    page.get_by_role("button", name="Make the layout").click()
    expect(making.locator(".made-layout")).to_contain_text('by = "A. Body"')
    with page.expect_download() as saved:
        making.get_by_role("button", name="Save found-drive.toml").click()
    assert "checksum" in Path(saved.value.path()).read_text(encoding="utf-8")
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    assert not faults
    page.close()
