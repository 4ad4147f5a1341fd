"""No text of a figure lies over another or leaves it, on any page, on a desk and on a phone."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from replay.recording import Recording
from tests.support.browser import SHOWN_PAGE
from tests.support.crowded import ELBOW, SHOULDER
from tests.support.heat_recordings import record_stepped
from tests.support.text_overlaps import text_overlaps

pytestmark = pytest.mark.browser
PATIENCE_MS = 90_000
WIDTHS = (1440, 390)


def _overlaps(page: Page, figure: str, width: int, answer: str = "") -> list[str]:
    """Return what lies over another once the figure was drawn for a screen of that width.

    `answer`: a part of the address that has to be answered first, where the page is wider now.
    """
    if answer:
        with page.expect_response(lambda one: answer in one.url, timeout=PATIENCE_MS):
            page.set_viewport_size({"width": width, "height": 900})
    else:
        page.set_viewport_size({"width": width, "height": 900})
    page.wait_for_function(
        """([figure, width]) => {
          const drawing = document.querySelector(figure + ' svg');
          const wide = drawing?.getBoundingClientRect().width;
          return wide > 0 && wide <= width && (width < 1000 || wide > 400)
            && !document.querySelector('.busy, [data-asking]');
        }""",
        arg=[figure, width],
        timeout=PATIENCE_MS,
    )
    # What was asked of the server is drawn in the frame after its answer.
    page.evaluate("new Promise((done) => requestAnimationFrame(() => setTimeout(done, 400)))")
    return text_overlaps(page)


@pytest.mark.parametrize(
    ("path", "figure"),
    [
        ("/replay/crowded?from=150&to=450&at=430", "#past-rows"),
        pytest.param(
            "/limits?from=crowded", "#judge-lanes .lane-row .trace", marks=pytest.mark.slow
        ),
        pytest.param("/bus/crowded", "#heard-rows", marks=pytest.mark.slow),
    ],
)
def test_no_text_lies_over_another(
    browser: Browser, serve_once, crowded: Recording, path: str, figure: str
):
    """Long labels, five temperatures, chatter, breaks and notes; the page is opened once."""
    page = browser.new_page(viewport={"width": WIDTHS[0], "height": 1000})
    page.goto(serve_once(crowded.path.parent) + path)
    found = {width: _overlaps(page, figure, width) for width in WIDTHS}
    page.close()
    assert not {width: texts for width, texts in found.items() if texts}


@pytest.mark.slow
def test_no_text_of_heat_lies_over_another(browser: Browser, serve, tmp_path: Path):
    """The curves of load against time, the ladder and the traces."""
    record_stepped(tmp_path / "steps")
    page = browser.new_page(viewport={"width": WIDTHS[0], "height": 1000})
    page.goto(f"{serve(tmp_path)}/heat/steps")
    expect(page.locator("#heat[data-state=fitted]")).to_be_visible(timeout=PATIENCE_MS)
    found = {
        width: _overlaps(page, "#heat-curve", width, answer="/heat?" if width < 1000 else "")
        for width in WIDTHS
    }
    page.close()
    assert not {width: texts for width, texts in found.items() if texts}


@pytest.mark.slow
def test_no_text_of_live_lies_over_another(browser: Browser, serve, bench):
    """Joints of long labels that are recorded, with a warning that comes again and again."""
    text = bench.bench.read_text("utf-8")
    for name, label in (("shoulder", SHOULDER), ("elbow", ELBOW)):
        text = text.replace(f'"{name}"\n', f'"{name}"\nlabel = "{label}"\n')
    bench.bench.write_text(text, encoding="utf-8")
    limits = bench.limits.read_text("utf-8").replace("= 16.0", "= 6.0").replace("= 14.0", "= 4.0")
    bench.limits.write_text(limits, encoding="utf-8")
    bench.joints()
    bench.logger()
    page = browser.new_page(viewport={"width": WIDTHS[0], "height": 1000})
    page.goto(serve(bench.recordings))
    expect(page.locator(".alert.abnormal").first).to_be_visible(timeout=PATIENCE_MS)
    found = {width: _overlaps(page, "#live-sheet", width) for width in WIDTHS}
    page.close()
    assert not {width: texts for width, texts in found.items() if texts}


def test_excursions_are_narrowed_and_stepped(browser: Browser, serve_once, crowded: Recording):
    """Trips first, how many more; one limit, one joint; keys go to alerts, with Shift to trips."""
    page = browser.new_page(viewport={"width": 1440, "height": 1000})
    page.goto(f"{serve_once(crowded.path.parent)}/replay/crowded")
    expect(page.locator("#past-count")).to_have_text("3 trips, 294 warnings", timeout=PATIENCE_MS)
    rows = page.locator("#past-excursions .exc")
    assert [rows.nth(k).get_attribute("data-severity") for k in range(4)] == ["trip"] * 3 + [
        "warning"
    ]
    expect(page.locator("#past-more")).to_contain_text("257 more")
    expect(page.locator("#past-not-judged")).to_contain_text("cannot be judged")
    page.get_by_label("Excursions of which limit").select_option("housing-warm")
    expect(rows).to_have_count(1)
    expect(rows.first).to_contain_text("at most", timeout=PATIENCE_MS)
    page.get_by_label("Excursions of which limit").select_option("")
    page.get_by_label("Excursions of which severity").select_option("trip")
    expect(rows).to_have_count(3)
    expect(page.locator("#past-more")).to_be_empty()
    heads = []
    page.evaluate(f"(async () => {SHOWN_PAGE}.moveHead(0))()")
    for key in ("Shift+BracketRight", "Shift+BracketRight", "BracketLeft", "BracketLeft"):
        page.keyboard.press(key)
        heads.append(round(page.evaluate(f"(async () => {SHOWN_PAGE}.head)()")))
    # The trips of 426 s and 433 s chatter with that of 438 s: the next is none, and back it is
    # the warning of the housing that comes before.
    assert heads[0] == heads[1] == 426
    assert heads[2] == 368
    assert heads[3] < 368
    page.close()
