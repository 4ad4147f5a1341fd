"""Sweeps on the Limits page, and what is saved, opened or handed over, in a real browser."""

import re
import tomllib
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from logger.limits.limit import read_limits
from replay.recording import Recording
from tests.support.limits_page import (
    PATIENCE_MS,
    choose_all_recordings,
    field_input,
    lane_row,
    open_limits_page,
    wait_for_answer,
)

pytestmark = pytest.mark.browser


def test_a_sweep_and_its_candidates(browser: Browser, serve_once, folder: Path):
    """A sweep draws its trade-off; a candidate that is taken stands on the page."""
    page, faults = open_limits_page(browser, serve_once(folder))
    choose_all_recordings(page)
    vary = page.locator("#judge-vary input")
    vary.nth(0).fill("60")
    vary.nth(1).fill("79")
    vary.nth(2).fill("20")
    page.locator("#judge-run").click()
    expect(page.locator("#judge-sweep-said")).to_contain_text("Chosen:", timeout=PATIENCE_MS)
    expect(page.locator("#judge-sweep-said")).to_contain_text("had no say in it")
    expect(page.locator("#judge-trade .main-svg").first).to_be_visible()
    choice = page.locator("table.best tr.open")
    value = re.search(r"above = ([\d.]+)", choice.inner_text())
    assert value is not None
    choice.get_by_role("button", name="take it").click()
    wait_for_answer(page)
    assert float(field_input(page, "above").input_value()) == pytest.approx(float(value[1]))
    assert faults == []
    page.close()


def test_a_sweep_in_another_theme_and_of_before(browser: Browser, serve_once, folder: Path):
    """Its picture follows the theme without being judged anew; a changed question is said."""
    page, faults = open_limits_page(browser, serve_once(folder))
    vary = page.locator("#judge-vary input")
    for place, value in enumerate(("60", "79", "10")):
        vary.nth(place).fill(value)
    page.locator("#judge-run").click()
    page.emulate_media(color_scheme="dark")
    expect(page.locator("#judge-trade .main-svg").first).to_be_visible(timeout=PATIENCE_MS)
    ink = "document.querySelector('#judge-trade').layout.hoverlabel.bgcolor"
    dark = page.evaluate(ink)
    page.emulate_media(color_scheme="light")
    page.wait_for_function(f"dark => {ink} !== dark", arg=dark, timeout=PATIENCE_MS)
    aged = page.locator("#judge-sweep-aged")
    field_input(page, "above").fill("71")
    wait_for_answer(page)
    expect(aged).to_be_hidden()
    field_input(page, "on_delay_s").fill("10")
    expect(aged).to_be_visible()
    field_input(page, "on_delay_s").fill("3")
    expect(aged).to_be_hidden()
    page.get_by_label("level of the bad end").fill("78")
    expect(aged).to_be_visible()
    assert faults == []
    page.close()


def test_a_choice_is_saved_with_how_far_it_can_be_trusted(
    browser: Browser, serve_once, folder: Path, tmp_path: Path
):
    """A sweep's choice that is taken and saved says what it is worth on recordings left out."""
    page, faults = open_limits_page(browser, serve_once(folder))
    page.locator("#judge-picker summary").click()
    page.get_by_role("button", name="All of them").click()
    wait_for_answer(page)
    page.locator("#judge-run").click()
    choice = page.locator("table.best tr.open")
    choice.get_by_role("button", name="take it").click(timeout=PATIENCE_MS)
    wait_for_answer(page)
    path = tmp_path / "chosen.toml"
    for told, said in (("Limits chosen by dutytrace", True), ("Limits tried by dutytrace", False)):
        with page.expect_download() as download:
            page.locator("#judge-save").click()
        download.value.save_as(path)
        assert path.read_text().startswith(f"# {told}")
        assert ("had no say in it" in " ".join(path.read_text().split("\n# "))) == said
        assert read_limits(path).by_name("housing-warm") is not None
        field_input(page, "on_delay_s").fill("4")
        wait_for_answer(page)
    assert faults == []
    page.close()


def test_a_mistaken_sweep_is_answered_in_words(browser: Browser, serve_once, folder: Path):
    """A range in which no value is a limit, and no bad end, are sentences."""
    page, faults = open_limits_page(browser, serve_once(folder))
    page.get_by_label("key to vary").select_option("on_delay_s")
    vary = page.locator("#judge-vary input")
    vary.nth(0).fill("-20")
    vary.nth(1).fill("-10")
    page.locator("#judge-run").click()
    said = page.locator("#judge-sweep-said")
    expect(said).to_contain_text("no combination of these values is a limit", timeout=PATIENCE_MS)
    page.locator("#judge-end select").first.select_option("none")
    page.locator("#judge-run").click()
    expect(said).to_contain_text("bad end: name what", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_it_is_saved_with_where_it_comes_from(
    browser: Browser, serve_once, folder: Path, tmp_path: Path
):
    """The file is a limits file with the turned value, the old comments, and its provenance."""
    page, faults = open_limits_page(browser, serve_once(folder))
    field_input(page, "above").fill("72.5")
    wait_for_answer(page)
    with page.expect_download() as download:
        page.locator("#judge-save").click()
    path = tmp_path / download.value.suggested_filename
    download.value.save_as(path)
    assert path.name == "limits.toml"
    text = path.read_text()
    assert read_limits(path).by_name("housing-warm").above == 72.5
    assert text.startswith("# Limits tried by dutytrace ")
    assert "caught 1 of 1" in text
    assert "# The demo's limits." in text
    assert faults == []
    page.close()


def test_a_candidate_is_opened_in_replay(browser: Browser, serve_once, folder: Path):
    """A lane's name leads to Replay, where the excursions are those of the limits on the page."""
    page, faults = open_limits_page(browser, serve_once(folder))
    field_input(page, "name").fill("tried-one")
    field_input(page, "above").fill("61")
    field_input(page, "drop_off").fill("58")
    wait_for_answer(page)
    lane_row(page).locator(".who button").click()
    expect(page).to_have_url(re.compile(r"/replay/\w+\?.*judged="), timeout=PATIENCE_MS)
    expect(page.locator("#replay")).to_contain_text("tried one", timeout=PATIENCE_MS)
    expect(page.locator("#past-excursions")).to_contain_text("61 °C", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_it_is_handed_over_to_a_running_logger(browser: Browser, serve, bench, until):
    """After a question the logger takes the limits over, and its recording says so."""
    bench.joints()
    _, recording = bench.logger()
    page, faults = open_limits_page(browser, serve(bench.recordings))
    field_input(page, "above").fill("33.5")
    field_input(page, "drop_off").fill("31")
    wait_for_answer(page)
    page.locator("#judge-hand").click()
    expect(page.locator("#judge-over")).to_contain_text("take the place of those in force")
    page.locator("#judge-over-no").click()
    assert len(Recording.open(recording).limit_sets) == 1
    page.locator("#judge-hand").click()
    page.locator("#judge-over-yes").click()
    expect(page.locator("#judge-made")).to_contain_text("Handed over", timeout=PATIENCE_MS)
    until(
        lambda: Recording.open(recording).limits.by_name("housing-warm").above == 33.5,
        "the logger takes the limits over",
    )
    assert faults == []
    page.close()


def test_a_screen_in_the_lab_tries_but_hands_nothing_over(browser: Browser, serve, folder: Path):
    """Read-only: limits can be tried and saved, there is no handing over."""
    page, faults = open_limits_page(browser, serve(folder, "--read-only"))
    field_input(page, "above").fill("72")
    wait_for_answer(page)
    expect(lane_row(page)).to_contain_text("1 of 1 caught")
    expect(page.locator("#judge-hand")).to_have_count(0)
    answer = page.request.post(
        page.url.replace("/limits", "/api/limits/deploy"), data={"recording": "first", "tables": []}
    )
    assert answer.status in {403, 404}
    assert faults == []
    page.close()


def test_the_file_that_is_written_is_toml_of_the_same_limits(
    browser: Browser, serve_once, folder: Path, tmp_path: Path
):
    """A file opened on the page and saved again holds the same limits."""
    text = (
        'format = 1\n# mine\n[[limit]]\nname = "one"\nkind = "silence"\nseverity = "trip"\n'
        "after_s = 2.5\n"
    )
    (tmp_path / "mine.toml").write_text(text)
    page, faults = open_limits_page(browser, serve_once(folder))
    page.locator(".hidden-file").set_input_files(tmp_path / "mine.toml")
    expect(page.locator(".limit-head")).to_have_count(1, timeout=PATIENCE_MS)
    expect(field_input(page, "after_s")).to_have_value("2.5")
    expect(field_input(page, "above")).to_have_count(0)
    wait_for_answer(page)
    with page.expect_download() as download:
        page.locator("#judge-save").click()
    path = tmp_path / "again.toml"
    download.value.save_as(path)
    assert tomllib.loads(path.read_text()) == tomllib.loads(text)
    assert "# mine" in path.read_text()
    assert faults == []
    page.close()
