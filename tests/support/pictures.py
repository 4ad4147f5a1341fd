"""Makes the README's picture, and every page in both themes and three widths, from the real thing.

`make pictures` runs it: a demo is started and watched until its first warnings stand, then each
page is photographed into screenshots/. Nothing is drawn by hand.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Browser

from dashboard.access.password import write_password
from tests.support.browser import chromium, installed
from tests.support.buses import two_buses

ROOT = Path(__file__).parents[2]
OUT = ROOT / "screenshots"
README_PICTURE = ROOT / "dashboard" / "assets" / "live.png"
SIZES = ((1440, 900), (2560, 1440), (390, 844))
READY = {
    "live": "#live-sheet[data-drawn]",
    "replay": "#past-rows[data-drawn]",
    "bus": "#heard-rows[data-drawn]",
    "bus-past": "#heard-rows[data-drawn]",
    "limits": "#judge[data-answered]",
    "limits-curve": "#judge[data-answered]",
    "login": "#password",
}
WATCH_S = 330
"""Long enough for the heavy crates and the first warning of the demo's fan failure."""


def main() -> int:
    """Take the pictures; returns the exit status."""
    path = installed()
    if path is None:
        sys.stderr.write("No Chrome or Chromium is installed: install one to take pictures.\n")
        return 2
    watch_s = float(sys.argv[1]) if len(sys.argv) > 1 else WATCH_S
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="dutytrace-pictures-") as folder:
        recordings = Path(folder)
        shutil.copytree(ROOT / "recordings" / "demo-overheat", recordings / "demo-overheat")
        two_buses(recordings / "two-buses")
        demo = _start("demo", "--no-browser", folder=folder)
        write_password(recordings / "password", "nobody needs to know it")
        closed = _start("dashboard", "--password-file", f"{folder}/password", folder=folder)
        try:
            with chromium(path) as browser:
                address, login = _address(demo), _address(closed)
                sys.stdout.write(f"Watching the demo for {watch_s:.0f} s\n")
                sys.stdout.flush()
                time.sleep(watch_s)
                for scheme in ("light", "dark"):
                    for size in SIZES:
                        _take(browser, address, "live", size, scheme)
                        _take(browser, f"{address}/replay/demo-overheat", "replay", size, scheme)
                        limits = f"{address}/limits?from=demo-overheat"
                        _take(browser, limits, "limits", size, scheme)
                        _take(browser, limits, "limits-curve", size, scheme)
                        _take(browser, f"{address}/bus", "bus", size, scheme)
                        _take(browser, f"{address}/bus/two-buses", "bus-past", size, scheme)
                        _take(browser, login, "login", size, scheme)
        finally:
            for process in (demo, closed):
                process.terminate()
                process.wait(30)
    README_PICTURE.write_bytes((OUT / "live-light-1440.png").read_bytes())
    return 0


def _start(*command: str, folder: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "dutytrace", *command, "--port", "0", "--recordings", folder],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def _address(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    for line in process.stdout:
        found = re.match(r"The pages are at (http://\S+?)/?\s*$", line)
        if found:
            return found[1]
    raise RuntimeError("the pages did not come up")


def _take(browser: Browser, address: str, name: str, size: tuple[int, int], scheme: str) -> None:
    width, height = size
    page = browser.new_page(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
    )
    page.goto(address)
    page.wait_for_selector(READY[name], timeout=60_000)
    page.wait_for_timeout(1500)
    if name == "replay":
        page.locator('.exc[data-severity="trip"]').click()
        page.wait_for_timeout(1500)
    if name.startswith("limits"):
        if name == "limits-curve":
            page.get_by_role("button", name="winding-image").click()
        else:
            page.locator("#judge-run").click()
            page.wait_for_selector("table.best", timeout=120_000)
        page.locator(".told small", has_text="exact").first.wait_for(timeout=120_000)
        page.wait_for_timeout(4000)
    page.screenshot(
        path=OUT / f"{name}-{scheme}-{width}.png",
        full_page=width < 1000 or name.startswith("limits"),
    )
    page.close()


if __name__ == "__main__":
    sys.exit(main())
