"""The Limits page as a person uses it, in a real browser."""

import re
import shutil
import tomllib
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from dashboard.limits.forms import PAGE_FORMS
from logger.limits.limit import read_limits
from replay.recording import Recording

pytestmark = pytest.mark.browser
PATIENCE_MS = 60_000


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder with the overheat in it twice."""
    path = tmp_path / "recordings"
    for name in ("first", "second"):
        shutil.copytree(overheat.path, path / name)
    return path


def _page(browser: Browser, address: str, *, width: int = 1440) -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 1000})
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{address}/limits")
    _answered(page)
    return page, faults


def _answered(page: Page) -> None:
    """Wait until the page has its answer to what stands on it."""
    expect(page.locator("#judge")).to_have_attribute(
        "data-answered", re.compile("[1-9]"), timeout=PATIENCE_MS
    )
    page.wait_for_function(
        "() => !document.getElementById('judge').dataset.asking", timeout=PATIENCE_MS
    )


def _box(page: Page, key: str):
    return page.locator(f'.field[data-key="{key}"] input')


def _all_of_them(page: Page) -> None:
    page.locator("#judge-picker summary").click()
    page.get_by_role("button", name="All of them").click()
    _answered(page)


def _lane(page: Page, index: int = 0):
    return page.locator(".lane-row:not(.under)").nth(index)


def test_it_begins_with_the_limits_of_a_recording(browser: Browser, serve, folder: Path):
    """The recording's own limits, its highest trip as the bad end, and what the first one says."""
    page, faults = _page(browser, serve(folder))
    expect(page.locator(".limit-head .words").first).to_have_text("housing-warm")
    expect(page.locator(".sentence-of")).to_contain_text("warns when the housing of any joint")
    expect(page.locator("#judge-end input").first).to_have_value("80")
    expect(_lane(page)).to_contain_text("1 of 1 caught", timeout=PATIENCE_MS)
    expect(_lane(page)).to_contain_text("exact", timeout=PATIENCE_MS)
    expect(page.locator(".lane-title .joints")).to_have_text("shoulder elbow")
    expect(page.locator("#judge-worth")).to_contain_text("all together", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_a_level_is_dragged(browser: Browser, serve, folder: Path):
    """Dragged up, it is raised later; the number, the sentence and the drop-off follow."""
    page, faults = _page(browser, serve(folder))
    grip = _lane(page).locator(".grip:not(.off) .reach")
    before = _lane(page).locator(".told").inner_text()
    box = grip.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 4, steps=4)
    page.mouse.up()
    _answered(page)
    level = float(_box(page, "above").input_value())
    assert 70 < level < 80
    assert float(_box(page, "drop_off").input_value()) == pytest.approx(level - 3.0)
    expect(page.locator(".sentence-of")).to_contain_text(f"stays above {level:g} °C")
    expect(_lane(page)).to_contain_text("1 of 1 caught")
    assert _lane(page).locator(".told").inner_text() != before
    assert faults == []
    page.close()


def test_by_keyboard(browser: Browser, serve, folder: Path):
    """Tab reaches the level, each arrow key moves it on; ] goes to the next limit."""
    page, faults = _page(browser, serve(folder))
    _lane(page).locator(".grip:not(.off)").first.focus()
    page.keyboard.press("ArrowUp")
    first = float(_box(page, "above").input_value())
    assert first > 70
    _answered(page)
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    assert float(_box(page, "above").input_value()) - 70 == pytest.approx(3 * (first - 70))
    _answered(page)
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "picks up above"
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("]")
    expect(page.locator(".limit.open .limit-head .words")).to_have_text("housing-hot")
    assert faults == []
    page.close()


def test_the_upper_of_two_levels_by_keyboard(browser: Browser, serve, folder: Path):
    """The keys stay with the one of two levels that they were pressed on, in its own lane."""
    page, faults = _page(browser, serve(folder))
    _all_of_them(page)
    page.locator("#judge-add select").select_option("outside")
    _answered(page)
    lower, upper = (_box(page, "outside").nth(place) for place in range(2))
    before = float(upper.input_value())
    _lane(page, 1).locator(".grip").nth(1).focus()
    for _ in range(3):
        page.keyboard.press("ArrowDown")
        _answered(page)
    assert float(lower.input_value()) == 40.0
    assert float(upper.input_value()) < before
    name = page.evaluate("document.activeElement.getAttribute('aria-label')")
    assert name == "picks up outside of, upper, Overheat"
    assert faults == []
    page.close()


def test_what_is_not_answered_is_not_shown(browser: Browser, serve, folder: Path):
    """A mistake in one limit: its answer goes pale; another limit is not given the one before."""
    page, faults = _page(browser, serve(folder))
    _box(page, "drop_off").fill("500")
    expect(page.locator("#judge-unanswered")).to_contain_text("Not answered")
    expect(page.locator("#judge-desk")).to_have_class(re.compile("unanswered"))
    page.locator(".limit-head").nth(1).click()
    expect(page.locator(".lane-row")).to_have_count(0)
    expect(page.locator("#judge-worth")).to_have_text("")
    page.locator(".limit-head").nth(0).click()
    _box(page, "drop_off").fill("66")
    expect(page.locator("#judge-unanswered")).to_be_hidden()
    expect(_lane(page)).to_contain_text("1 of 1 caught")
    assert faults == []
    page.close()


def test_a_line_that_is_still_another_limits_moves_nothing(browser: Browser, serve, folder: Path):
    """Until the answer to the limit that was chosen has come, a drag changes neither."""
    page, faults = _page(browser, serve(folder))
    page.route("**/api/limits/evaluate", lambda route: None)
    page.locator(".limit-head").nth(1).click()
    box = _lane(page).locator(".grip:not(.off) .reach").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 20, steps=3)
    page.mouse.up()
    expect(_box(page, "above")).to_have_value("80")
    assert faults == []
    page.close()


def test_a_curve_that_comes_late_is_not_drawn(browser: Browser, serve, folder: Path):
    """The picture of an inverse-time limit does not appear under a level that was chosen since."""
    page, faults = _page(browser, serve(folder))
    held: list[Route] = []
    page.route("**/api/limits/curve", lambda route: held.append(route))  # noqa: PLW0108 - no builtin
    page.locator(".limit-head", has_text="overload").click()
    _answered(page)
    page.locator(".limit-head", has_text="housing-warm").click()
    _answered(page)
    expect(_lane(page)).to_contain_text("exact", timeout=PATIENCE_MS)
    page.wait_for_timeout(1500)
    _answered(page)
    assert held
    with page.expect_response("**/api/limits/curve"):
        held[0].continue_()
    page.wait_for_timeout(300)
    expect(page.locator("#judge-curved")).to_be_hidden()
    assert faults == []
    page.close()


def test_without_a_recording(browser: Browser, serve, folder: Path):
    """None is chosen: that is said, nothing is counted, a limit can be added all the same."""
    page, faults = _page(browser, serve(folder))
    page.locator("#judge-picker summary").click()
    page.locator("#judge-recordings input:checked").uncheck()
    _answered(page)
    expect(page.locator("#judge-on")).to_have_text("Tried on nothing: choose recordings")
    expect(page.locator(".lane-title")).to_contain_text("Choose recordings")
    expect(page.locator("#judge-worth")).not_to_contain_text("times raised")
    page.locator("#judge-add select").select_option("level")
    expect(page.locator(".limit.open .limit-head .words")).to_have_text("level")
    page.locator("#judge-run").click()
    expect(page.locator("#judge-sweep-said")).to_contain_text("choose at least one")
    assert faults == []
    page.close()


def test_recordings_come_and_go(browser: Browser, serve, folder: Path):
    """One that is deleted is said; the list that is opened has those that are there now."""
    page, faults = _page(browser, serve(folder))
    _all_of_them(page)
    shutil.rmtree(folder / "second")
    _box(page, "above").fill("71")
    expect(page.locator(".mistake:visible")).to_contain_text("no recording named 'second'")
    expect(page.locator("#judge-unanswered")).to_be_visible()
    shutil.copytree(folder / "first", folder / "third")
    for _ in range(2):
        page.locator("#judge-picker summary").click()
    expect(page.locator('#judge-recordings input[value="third"]')).not_to_be_checked()
    expect(page.locator('#judge-recordings input[value="second"]')).to_have_count(0)
    _box(page, "above").fill("72")
    expect(_lane(page)).to_contain_text("1 of 1 caught")
    assert faults == []
    page.close()


def test_a_bad_end_on_another_joint(browser: Browser, serve, folder: Path):
    """A limit on a joint that does not measure it can be judged by a joint that does."""
    page, faults = _page(browser, serve(folder))
    page.get_by_label("joint of the bad end").select_option("elbow")
    _answered(page)
    expect(_lane(page)).to_contain_text("no bad end")
    page.get_by_label("joint of the bad end").select_option("shoulder")
    expect(_lane(page)).to_contain_text("1 of 1 caught")
    assert faults == []
    page.close()


def test_what_the_recording_lacks_is_shown_all_the_same(
    browser: Browser, serve, folder: Path, tmp_path: Path
):
    """A joint and a channel that no chosen recording has stand in the form, marked."""
    (tmp_path / "mine.toml").write_text(
        'format = 1\n[[limit]]\nname = "one"\nkind = "level"\nseverity = "trip"\n'
        'channel = "temperature_winding_degC"\njoint = "knee"\nabove = 90.0\n'
    )
    page, faults = _page(browser, serve(folder))
    page.locator(".hidden-file").set_input_files(tmp_path / "mine.toml")
    channel = page.locator('[data-key="channel"] select')
    expect(channel).to_have_value("temperature_winding_degC")
    expect(page.locator('[data-key="joint"] select')).to_have_value("knee")
    expect(_lane(page)).to_contain_text("does not watch any joint here")
    assert faults == []
    page.close()


def test_what_is_typed_is_answered_or_refused_in_words(browser: Browser, serve, folder: Path):
    """A number is answered; one that does not fit is said beside its key, and nothing is lost."""
    page, faults = _page(browser, serve(folder))
    _box(page, "above").fill("78")
    _answered(page)
    expect(page.locator(".sentence-of")).to_contain_text("78 °C")
    _box(page, "drop_off").fill("79")
    mistake = page.locator(".mistake:visible")
    expect(mistake).to_contain_text("expected at most 78")
    expect(_lane(page)).to_contain_text("1 of 1 caught")
    _box(page, "drop_off").fill("75")
    expect(page.locator(".mistake:visible")).to_have_count(0)
    _box(page, "name").fill("Not A Name")
    expect(page.locator(".mistake:visible")).to_contain_text("name")
    assert faults == []
    page.close()


def test_every_kind_can_be_added_and_answers(browser: Browser, serve, folder: Path):
    """Each kind has a form, a picture and an answer; a curve kind is drawn as time and current."""
    page, faults = _page(browser, serve(folder))
    kinds = page.locator("#judge-add option").all_inner_texts()[1:]
    assert kinds == [form.of.words for form in PAGE_FORMS]
    for kind in kinds:
        page.locator("#judge-add select").select_option(label=kind)
        _answered(page)
        expect(page.locator(".mistake:visible")).to_have_count(0)
        expect(page.locator(".lane-title b")).not_to_have_text("")
        expect(_lane(page).locator(".told")).not_to_have_text("", timeout=PATIENCE_MS)
        curve = page.locator("#judge-curve .main-svg").first
        if kind in {"inverse time", "thermal image"}:
            expect(curve).to_be_visible(timeout=PATIENCE_MS)
        else:
            expect(page.locator("#judge-curved")).to_be_hidden()
    assert faults == []
    page.close()


def test_a_sweep_and_its_candidates(browser: Browser, serve, folder: Path):
    """A sweep draws its trade-off; a candidate that is taken stands on the page."""
    page, faults = _page(browser, serve(folder))
    _all_of_them(page)
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
    _answered(page)
    assert float(_box(page, "above").input_value()) == pytest.approx(float(value[1]))
    assert faults == []
    page.close()


def test_a_sweep_in_another_theme_and_of_before(browser: Browser, serve, folder: Path):
    """Its picture follows the theme without being judged anew; a changed question is said."""
    page, faults = _page(browser, serve(folder))
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
    _box(page, "above").fill("71")
    _answered(page)
    expect(aged).to_be_hidden()
    _box(page, "on_delay_s").fill("10")
    expect(aged).to_be_visible()
    _box(page, "on_delay_s").fill("3")
    expect(aged).to_be_hidden()
    page.get_by_label("level of the bad end").fill("78")
    expect(aged).to_be_visible()
    assert faults == []
    page.close()


def test_a_choice_is_saved_with_how_far_it_can_be_trusted(
    browser: Browser, serve, folder: Path, tmp_path: Path
):
    """A sweep's choice that is taken and saved says what it is worth on recordings left out."""
    page, faults = _page(browser, serve(folder))
    page.locator("#judge-picker summary").click()
    page.get_by_role("button", name="All of them").click()
    _answered(page)
    page.locator("#judge-run").click()
    choice = page.locator("table.best tr.open")
    choice.get_by_role("button", name="take it").click(timeout=PATIENCE_MS)
    _answered(page)
    path = tmp_path / "chosen.toml"
    for told, said in (("Limits chosen by dutytrace", True), ("Limits tried by dutytrace", False)):
        with page.expect_download() as download:
            page.locator("#judge-save").click()
        download.value.save_as(path)
        assert path.read_text().startswith(f"# {told}")
        assert ("had no say in it" in " ".join(path.read_text().split("\n# "))) == said
        assert read_limits(path).by_name("housing-warm") is not None
        _box(page, "on_delay_s").fill("4")
        _answered(page)
    assert faults == []
    page.close()


def test_a_typed_level_takes_its_drop_off_along(browser: Browser, serve, folder: Path):
    """Typed over an empty box too: the hysteresis stays as wide as it was."""
    page, faults = _page(browser, serve(folder))
    above = _box(page, "above")
    above.fill("")
    above.press_sequentially("61.5")
    _answered(page)
    expect(_box(page, "drop_off")).to_have_value("58.5")
    assert faults == []
    page.close()


def test_a_mistaken_sweep_is_answered_in_words(browser: Browser, serve, folder: Path):
    """A range in which no value is a limit, and no bad end, are sentences."""
    page, faults = _page(browser, serve(folder))
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
    browser: Browser, serve, folder: Path, tmp_path: Path
):
    """The file is a limits file with the turned value, the old comments, and its provenance."""
    page, faults = _page(browser, serve(folder))
    _box(page, "above").fill("72.5")
    _answered(page)
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


def test_a_draft_outlives_another_page(browser: Browser, serve, folder: Path):
    """What was turned is still there after a look at another page."""
    page, faults = _page(browser, serve(folder))
    _box(page, "above").fill("71.25")
    _answered(page)
    page.wait_for_timeout(400)
    page.get_by_role("link", name="Bus").click()
    page.get_by_role("link", name="Limits").click()
    expect(_box(page, "above")).to_have_value("71.25", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_a_candidate_is_opened_in_replay(browser: Browser, serve, folder: Path):
    """A lane's name leads to Replay, where the excursions are those of the limits on the page."""
    page, faults = _page(browser, serve(folder))
    _box(page, "name").fill("tried-one")
    _box(page, "above").fill("61")
    _box(page, "drop_off").fill("58")
    _answered(page)
    _lane(page).locator(".who button").click()
    expect(page).to_have_url(re.compile(r"/replay/\w+\?.*judged="), timeout=PATIENCE_MS)
    expect(page.locator("#replay")).to_contain_text("tried one", timeout=PATIENCE_MS)
    expect(page.locator("#past-excursions")).to_contain_text("61 °C", timeout=PATIENCE_MS)
    assert faults == []
    page.close()


def test_it_is_handed_over_to_a_running_logger(browser: Browser, serve, bench, until):
    """After a question the logger takes the limits over, and its recording says so."""
    bench.joints()
    _, recording = bench.logger()
    page, faults = _page(browser, serve(bench.recordings))
    _box(page, "above").fill("33.5")
    _box(page, "drop_off").fill("31")
    _answered(page)
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
    page, faults = _page(browser, serve(folder, "--read-only"))
    _box(page, "above").fill("72")
    _answered(page)
    expect(_lane(page)).to_contain_text("1 of 1 caught")
    expect(page.locator("#judge-hand")).to_have_count(0)
    answer = page.request.post(
        page.url.replace("/limits", "/api/limits/deploy"), data={"recording": "first", "tables": []}
    )
    assert answer.status in {403, 405}
    assert faults == []
    page.close()


def test_nothing_recorded_yet(browser: Browser, serve, tmp_path: Path):
    """An empty folder says what to do next."""
    page = browser.new_page()
    page.goto(f"{serve(tmp_path)}/limits")
    expect(page.locator("#judge-empty")).to_contain_text(
        "limits are tried on what was recorded", timeout=PATIENCE_MS
    )
    page.close()


def test_on_a_phone(browser: Browser, serve, folder: Path):
    """At 390 px nothing is wider than the screen, whatever a test is called; 44 px to press."""
    at = folder / "first" / "recording.json"
    at.write_text(at.read_text().replace('"Overheat"', f'"{"Overheat of the shoulder " * 4}"', 1))
    page, faults = _page(browser, serve(folder), width=390)
    expect(_lane(page)).to_contain_text("1 of 1 caught", timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for name in ("#judge-save", "#judge-run"):
        box = page.locator(name).bounding_box()
        assert box is not None
        assert box["height"] >= 44
    assert faults == []
    page.close()


def test_the_file_that_is_written_is_toml_of_the_same_limits(
    browser: Browser, serve, folder: Path, tmp_path: Path
):
    """A file opened on the page and saved again holds the same limits."""
    text = (
        'format = 1\n# mine\n[[limit]]\nname = "one"\nkind = "silence"\nseverity = "trip"\n'
        "after_s = 2.5\n"
    )
    (tmp_path / "mine.toml").write_text(text)
    page, faults = _page(browser, serve(folder))
    page.locator(".hidden-file").set_input_files(tmp_path / "mine.toml")
    expect(page.locator(".limit-head")).to_have_count(1, timeout=PATIENCE_MS)
    expect(_box(page, "after_s")).to_have_value("2.5")
    expect(_box(page, "above")).to_have_count(0)
    _answered(page)
    with page.expect_download() as download:
        page.locator("#judge-save").click()
    path = tmp_path / "again.toml"
    download.value.save_as(path)
    assert tomllib.loads(path.read_text()) == tomllib.loads(text)
    assert "# mine" in path.read_text()
    assert faults == []
    page.close()
