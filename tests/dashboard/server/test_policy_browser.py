"""The pages under their content security policy, in a real browser."""

import pytest
from playwright.sync_api import Browser, Page, expect

from replay.recording import Recording

pytestmark = pytest.mark.browser
PATIENCE_MS = 60_000
REPORT = """
window.refused = [];
document.addEventListener("securitypolicyviolation", (event) =>
  window.refused.push([event.effectiveDirective, event.blockedURI, event.sourceFile].join(" ")));
"""
TRY_TO_BREAK_IN = """() => new Promise((resolve) => {
  window.ran = [];
  const inline = document.createElement("script");
  inline.textContent = "window.ran.push('inline')";
  document.body.append(inline);
  const button = document.createElement("button");
  button.setAttribute("onclick", "window.ran.push('handler')");
  document.body.append(button);
  button.click();
  // Not at once: what a debugger evaluates is allowed more than the page.
  setTimeout(() => { try { new Function("window.ran.push('eval')")(); } catch {} });
  const image = new Image();
  image.onload = () => { window.ran.push("image"); resolve(window.ran); };
  image.onerror = () => setTimeout(() => resolve(window.ran), 200);
  image.src = "http://localhost:1/elsewhere.png";
})"""


def _drawn(page: Page, sheet: str) -> None:
    expect(page.locator(f"{sheet} .main-svg").first).to_be_visible(timeout=PATIENCE_MS)


def test_no_page_breaks_the_policy(browser: Browser, bench, serve, serve_once, overheat: Recording):
    """All pages are walked and used; the browser refuses nothing, and draws what it should."""
    bench.joints()
    bench.logger("--name", "Under the policy")
    live_address, address = serve(bench.recordings), serve_once(overheat.path.parent)
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.add_init_script(REPORT)
    said: list[str] = []
    page.on("console", lambda message: said.append(f"{page.url}: {message.text}"))
    page.on("pageerror", lambda fault: said.append(f"{page.url}: {fault}"))
    refused: list[str] = []

    def leave() -> None:
        refused.extend(f"{page.url}: {one}" for one in page.evaluate("window.refused"))

    page.goto(live_address)
    expect(page.locator("#live-name")).to_have_text("Under the policy", timeout=PATIENCE_MS)
    _drawn(page, "#live-sheet")
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.locator("#keys-close").click()
    leave()
    page.goto(f"{address}/replay/{overheat.path.name}")
    _drawn(page, "#page")
    page.mouse.move(700, 500)
    page.locator("#units-open").click()
    page.locator("#units button[data-quantity=position]").last.click()
    page.locator("#units-close").click()
    leave()
    page.goto(f"{address}/limits")
    expect(page.locator("#judge[data-answered] .lane-row .trace").first).to_be_visible()
    leave()
    page.goto(f"{address}/bus/{overheat.path.name}")
    _drawn(page, "#heard-rows")
    expect(page.locator("#heard-talkers tbody tr").first).to_be_visible()
    leave()
    assert refused == []
    assert [text for text in said if "Content Security Policy" in text] == []
    page.close()


def test_the_policy_is_in_force(browser: Browser, nothing_recorded: str):
    """Scripts that somebody brought into the page do not run, and nothing is fetched elsewhere."""
    page = browser.new_page()
    page.add_init_script(REPORT)
    page.goto(nothing_recorded)
    expect(page.locator(".masthead")).to_be_visible(timeout=PATIENCE_MS)
    assert page.evaluate(TRY_TO_BREAK_IN) == []
    refused = " ".join(page.evaluate("window.refused"))
    for directive in ("script-src-elem inline", "script-src-attr inline", "script-src eval",
                      "img-src"):  # fmt: skip
        assert directive in refused
    page.close()
