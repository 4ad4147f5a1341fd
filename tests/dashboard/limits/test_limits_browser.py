"""The Limits page as a person uses it, in a real browser."""

import re
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Route, expect

from dashboard.limits.forms import PAGE_FORMS
from tests.support.browser import box_of, first_held
from tests.support.limits_page import (
    PATIENCE_MS,
    choose_all_recordings,
    field_input,
    lane_row,
    open_limits_page,
    wait_for_answer,
)

pytestmark = pytest.mark.browser


def test_it_begins_with_the_limits_of_a_recording(browser: Browser, serve_once, folder: Path):
    """The recording's own limits, its highest trip as the bad end, and what the first one says."""
    page, faults = open_limits_page(browser, serve_once(folder))
    expect(page.locator(".limit-head .words").first).to_have_text("housing-warm")
    expect(page.locator(".sentence-of")).to_contain_text("warns when the housing of any joint")
    expect(page.locator("#judge-end input").first).to_have_value("80")
    expect(lane_row(page)).to_contain_text("1 of 1 caught", timeout=PATIENCE_MS)
    expect(lane_row(page)).to_contain_text("exact", timeout=PATIENCE_MS)
    expect(page.locator(".lane-title .joints")).to_have_text("shoulder elbow")
    expect(page.locator("#judge-worth")).to_contain_text("all together", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_a_level_is_dragged(browser: Browser, serve_once, folder: Path):
    """Dragged up, it is raised later; the number, the sentence and the drop-off follow."""
    page, faults = open_limits_page(browser, serve_once(folder))
    grip = lane_row(page).locator(".grip:not(.off) .reach")
    before = lane_row(page).locator(".lane-answer").inner_text()
    box = box_of(grip)
    x, y = box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 4, steps=4)
    page.mouse.up()
    wait_for_answer(page)
    level = float(field_input(page, "above").input_value())
    assert 70 < level < 80
    assert float(field_input(page, "drop_off").input_value()) == pytest.approx(level - 3.0)
    expect(page.locator(".sentence-of")).to_contain_text(f"stays at or above {level:g} °C")
    expect(lane_row(page)).to_contain_text("1 of 1 caught")
    assert lane_row(page).locator(".lane-answer").inner_text() != before
    assert faults == []
    page.close()


def test_by_keyboard(browser: Browser, serve_once, folder: Path):
    """Tab reaches the level, each arrow key moves it on; ] goes to the next limit."""
    page, faults = open_limits_page(browser, serve_once(folder))
    lane_row(page).locator(".grip:not(.off)").first.focus()
    page.keyboard.press("ArrowUp")
    first = float(field_input(page, "above").input_value())
    assert first > 70
    wait_for_answer(page)
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    assert float(field_input(page, "above").input_value()) - 70 == pytest.approx(3 * (first - 70))
    wait_for_answer(page)
    assert (
        page.evaluate("document.activeElement.getAttribute('aria-label')") == "picks up at or above"
    )
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("]")
    expect(page.locator(".limit.open .limit-head .words")).to_have_text("housing-hot")
    assert faults == []
    page.close()


def test_the_upper_of_two_levels_by_keyboard(browser: Browser, serve_once, folder: Path):
    """The keys stay with the one of two levels that they were pressed on, in its own lane."""
    page, faults = open_limits_page(browser, serve_once(folder))
    choose_all_recordings(page)
    page.locator("#judge-add select").select_option("outside")
    wait_for_answer(page)
    lower, upper = (field_input(page, "outside").nth(place) for place in range(2))
    before = float(upper.input_value())
    lane_row(page, 1).locator(".grip").nth(1).focus()
    for _ in range(3):
        page.keyboard.press("ArrowDown")
        wait_for_answer(page)
    assert float(lower.input_value()) == 40.0
    assert float(upper.input_value()) < before
    name = page.evaluate("document.activeElement.getAttribute('aria-label')")
    assert name == "picks up at or outside of, upper, Overheat"
    assert faults == []
    page.close()


def test_what_is_not_answered_is_not_shown(browser: Browser, serve_once, folder: Path):
    """A mistake in one limit: its answer goes pale; another limit is not given the one before."""
    page, faults = open_limits_page(browser, serve_once(folder))
    field_input(page, "drop_off").fill("500")
    expect(page.locator("#judge-unanswered")).to_contain_text("Not answered")
    expect(page.locator("#judge-desk")).to_have_class(re.compile("unanswered"))
    page.locator(".limit-head").nth(1).click()
    expect(page.locator(".lane-row")).to_have_count(0)
    expect(page.locator("#judge-worth")).to_have_text("")
    page.locator(".limit-head").nth(0).click()
    field_input(page, "drop_off").fill("66")
    expect(page.locator("#judge-unanswered")).to_be_hidden()
    expect(lane_row(page)).to_contain_text("1 of 1 caught")
    assert faults == []
    page.close()


def test_a_line_that_is_still_another_limits_moves_nothing(
    browser: Browser, serve_once, folder: Path
):
    """Until the answer to the limit that was chosen has come, a drag changes neither."""
    page, faults = open_limits_page(browser, serve_once(folder))
    page.route("**/api/limits/evaluate", lambda route: None)
    page.locator(".limit-head").nth(1).click()
    box = box_of(lane_row(page).locator(".grip:not(.off) .reach"))
    x, y = box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 20, steps=3)
    page.mouse.up()
    expect(field_input(page, "above")).to_have_value("80")
    assert faults == []
    page.close()


def test_a_curve_that_comes_late_is_not_drawn(browser: Browser, serve_once, folder: Path, until):
    """The picture of an inverse-time limit does not appear under a level that was chosen since."""
    page, faults = open_limits_page(browser, serve_once(folder))
    held: list[Route] = []
    page.route("**/api/limits/curve", lambda route: held.append(route))  # noqa: PLW0108 - no builtin
    with page.expect_request("**/api/limits/curve"):
        page.locator(".limit-head", has_text="overload").click()
    until(lambda: page.evaluate("1") and held, "the curve is asked for")
    page.locator(".limit-head", has_text="housing-warm").click()
    wait_for_answer(page)
    expect(lane_row(page)).to_contain_text("exact", timeout=PATIENCE_MS)
    with page.expect_response("**/api/limits/curve"):
        first_held(page, held).continue_()
    page.wait_for_timeout(300)
    expect(page.locator("#judge-curved")).to_be_hidden()
    assert faults == []
    page.close()


def test_without_a_recording(browser: Browser, serve_once, folder: Path):
    """None is chosen: that is said, nothing is counted, a limit can be added all the same."""
    page, faults = open_limits_page(browser, serve_once(folder))
    page.locator("#judge-picker summary").click()
    page.locator("#judge-recordings input:checked").uncheck()
    wait_for_answer(page)
    expect(page.locator("#judge-on")).to_have_text("Tried on nothing: choose recordings")
    expect(page.locator(".lane-title")).to_contain_text("Choose recordings")
    expect(page.locator("#judge-worth")).not_to_contain_text("times raised")
    page.locator("#judge-add select").select_option("level")
    expect(page.locator(".limit.open .limit-head .words")).to_have_text("level")
    page.locator("#judge-run").click()
    expect(page.locator("#judge-sweep-said")).to_contain_text("choose at least one")
    assert faults == []
    page.close()


def test_recordings_come_and_go(browser: Browser, serve, own_folder: Path):
    """One that is deleted is said; the list that is opened has those that are there now."""
    page, faults = open_limits_page(browser, serve(own_folder))
    choose_all_recordings(page)
    shutil.rmtree(own_folder / "second")
    field_input(page, "above").fill("71")
    expect(page.locator(".mistake:visible")).to_contain_text("no recording named 'second'")
    expect(page.locator("#judge-unanswered")).to_be_visible()
    shutil.copytree(own_folder / "first", own_folder / "third")
    for _ in range(2):
        page.locator("#judge-picker summary").click()
    expect(page.locator('#judge-recordings input[value="third"]')).not_to_be_checked()
    expect(page.locator('#judge-recordings input[value="second"]')).to_have_count(0)
    field_input(page, "above").fill("72")
    expect(lane_row(page)).to_contain_text("1 of 1 caught")
    assert faults == []
    page.close()


def test_a_bad_end_on_another_joint(browser: Browser, serve_once, folder: Path):
    """A limit on a joint that does not measure it can be judged by a joint that does."""
    page, faults = open_limits_page(browser, serve_once(folder))
    page.get_by_label("joint of the bad end").select_option("elbow")
    wait_for_answer(page)
    expect(lane_row(page)).to_contain_text("no bad end")
    page.get_by_label("joint of the bad end").select_option("shoulder")
    expect(lane_row(page)).to_contain_text("1 of 1 caught")
    assert faults == []
    page.close()


def test_what_the_recording_lacks_is_shown_all_the_same(
    browser: Browser, serve_once, folder: Path, tmp_path: Path
):
    """A joint and a channel that no chosen recording has stand in the form, marked."""
    (tmp_path / "mine.toml").write_text(
        'format = 1\n[[limit]]\nname = "one"\nkind = "level"\nseverity = "trip"\n'
        'channel = "temperature_winding_degC"\njoint = "knee"\nabove = 90.0\n'
    )
    page, faults = open_limits_page(browser, serve_once(folder))
    page.locator(".hidden-file").set_input_files(tmp_path / "mine.toml")
    channel = page.locator('[data-key="channel"] select')
    expect(channel).to_have_value("temperature_winding_degC")
    expect(page.locator('[data-key="joint"] select')).to_have_value("knee")
    expect(lane_row(page)).to_contain_text("does not watch any joint here")
    assert faults == []
    page.close()


def test_what_is_typed_is_answered_or_refused_in_words(browser: Browser, serve_once, folder: Path):
    """A number is answered; one that does not fit is said beside its key, and nothing is lost."""
    page, faults = open_limits_page(browser, serve_once(folder))
    field_input(page, "above").fill("78")
    wait_for_answer(page)
    expect(page.locator(".sentence-of")).to_contain_text("78 °C")
    field_input(page, "drop_off").fill("79")
    mistake = page.locator(".mistake:visible")
    expect(mistake).to_contain_text("expected at most 78")
    expect(lane_row(page)).to_contain_text("1 of 1 caught")
    field_input(page, "drop_off").fill("75")
    expect(page.locator(".mistake:visible")).to_have_count(0)
    field_input(page, "name").fill("Not A Name")
    expect(page.locator(".mistake:visible")).to_contain_text("name")
    assert faults == []
    page.close()


def test_every_kind_can_be_added_and_answers(browser: Browser, serve_once, folder: Path):
    """Each kind has a form, a picture and an answer; a curve kind is drawn as time and current."""
    page, faults = open_limits_page(browser, serve_once(folder))
    kinds = page.locator("#judge-add option").all_inner_texts()[1:]
    assert kinds == [form.of.words for form in PAGE_FORMS]
    for kind in kinds:
        page.locator("#judge-add select").select_option(label=kind)
        wait_for_answer(page)
        expect(page.locator(".mistake:visible")).to_have_count(0)
        expect(page.locator(".lane-title b")).not_to_have_text("")
        expect(lane_row(page).locator(".lane-answer")).not_to_have_text("", timeout=PATIENCE_MS)
        curve = page.locator("#judge-curve .main-svg").first
        if kind in {"inverse time", "thermal image"}:
            expect(curve).to_be_visible(timeout=PATIENCE_MS)
        else:
            expect(page.locator("#judge-curved")).to_be_hidden()
    assert faults == []
    page.close()


def test_a_typed_level_takes_its_drop_off_along(browser: Browser, serve_once, folder: Path):
    """Typed over an empty box too: the hysteresis stays as wide as it was."""
    page, faults = open_limits_page(browser, serve_once(folder))
    above = field_input(page, "above")
    above.fill("")
    above.press_sequentially("61.5")
    wait_for_answer(page)
    expect(field_input(page, "drop_off")).to_have_value("58.5")
    assert faults == []
    page.close()


def test_a_draft_outlives_another_page(browser: Browser, serve_once, folder: Path):
    """What was turned last is still there after a look at another page, and after a reload."""
    page, faults = open_limits_page(browser, serve_once(folder))
    field_input(page, "above").fill("71.25")
    # At once: a person's click on a link comes as soon, now and then.
    page.evaluate("document.querySelector('a[href=\"/bus\"]').click()")
    page.get_by_role("link", name="Limits").click()
    expect(field_input(page, "above")).to_have_value("71.25", timeout=PATIENCE_MS)
    field_input(page, "above").fill("71.5")
    page.reload()
    expect(field_input(page, "above")).to_have_value("71.5", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_nothing_recorded_yet(browser: Browser, nothing_recorded: str):
    """An empty folder says what to do next."""
    page = browser.new_page()
    page.goto(f"{nothing_recorded}/limits")
    expect(page.locator("#judge-empty")).to_contain_text(
        "limits are tried on what was recorded", timeout=PATIENCE_MS
    )
    page.close()


def test_on_a_phone(browser: Browser, serve, own_folder: Path):
    """At 390 px nothing is wider than the screen, whatever a test is called; 44 px to press."""
    at = own_folder / "first" / "recording.json"
    at.write_text(at.read_text().replace('"Overheat"', f'"{"Overheat of the shoulder " * 4}"', 1))
    page, faults = open_limits_page(browser, serve(own_folder), width=390)
    expect(lane_row(page)).to_contain_text("1 of 1 caught", timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for name in ("#judge-save", "#judge-run"):
        box = box_of(page.locator(name))
        assert box["height"] >= 44
    assert faults == []
    page.close()
