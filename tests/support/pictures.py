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
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from playwright.sync_api import Browser, Page

from dashboard.access.password import write_password
from tests.support.browser import chromium, installed
from tests.support.buses import two_buses
from tests.support.made_campaign import MadePart, write_campaign_part
from tests.support.measured_specimens import record_specimens

ROOT: Final = Path(__file__).parents[2]
OUT: Final = ROOT / "screenshots"
README_PICTURE: Final = ROOT / "dashboard" / "assets" / "live.png"
SIZES: Final = ((1440, 900), (2560, 1440), (390, 844))
README_SIZE: Final = SIZES[0]
PAGES: Final = {
    "live": ("demo", "/", "#live-sheet[data-drawn]"),
    "replay": ("demo", "/replay/demo-overheat", "#past-rows[data-drawn]"),
    "limits": ("demo", "/limits?from=demo-overheat", "#judge[data-answered]"),
    "limits-curve": ("demo", "/limits?from=demo-overheat", "#judge[data-answered]"),
    "heat": ("demo", "/heat/demo-overheat", "#heat-duty[data-state=shown]"),
    "measure": ("demo", "/measure/demo-overheat", "#measure[data-state=choose]"),
    "sheet": ("measured", "/sheet?joint=A-0017&other=A-0018", "#datasheet[data-state=shown]"),
    "campaign": ("campaign", "/campaign", "#campaign-picture[data-drawn]"),
    "bus": ("demo", "/bus", "#heard-rows[data-drawn]"),
    "bus-past": ("demo", "/bus/two-buses", "#heard-rows[data-drawn]"),
    "login": ("closed", "/", "#password"),
}
"""Name of a picture -> the server that shows it, its address there, and what says that it is
drawn."""
CAMPAIGN: Final = {
    "first": MadePart(first_h=0.0, last_h=110.0, fault_hours=(30.0,)),
    "second": MadePart(
        first_h=143.0,
        last_h=290.0,
        step_h=230.0,
        notes=((143.2, "weekend"),),
        fault_hours=(170.0, 280.0, 285.0),
    ),
}
"""Two recordings of one campaign, with a stop between them and a change in the second."""
WATCH_S: Final = 330
"""Long enough for the heavy crates and the first warning of the demo's fan failure."""
PATIENCE_MS: Final = 180_000


def main() -> int:
    """Take the pictures; returns the exit status."""
    path = installed()
    if path is None:
        sys.stderr.write("No Chrome or Chromium is installed: install one to take pictures.\n")
        return 2
    watch_s = float(sys.argv[1]) if len(sys.argv) > 1 else WATCH_S
    OUT.mkdir(exist_ok=True)
    with _servers() as addresses, chromium(path) as browser:
        _say(f"Watching the demo for {watch_s:.0f} s")
        time.sleep(watch_s)
        for size in SIZES:
            for scheme in ("light", "dark"):
                for name in PAGES:
                    _take(browser, addresses, name, size, scheme)
    README_PICTURE.write_bytes(_path("live", README_SIZE, "light").read_bytes())
    return 0


@contextmanager
def _servers() -> Iterator[dict[str, str]]:
    """Run the servers that the pages are on; gives the address of each."""
    with tempfile.TemporaryDirectory(prefix="dutytrace-pictures-") as folder:
        recordings, measured = Path(folder) / "recordings", Path(folder) / "measured"
        campaign = Path(folder) / "campaign"
        shutil.copytree(ROOT / "recordings" / "demo-overheat", recordings / "demo-overheat")
        two_buses(recordings / "two-buses")
        record_specimens(measured)
        campaign.mkdir()
        for name, part in CAMPAIGN.items():
            write_campaign_part(campaign / name, part)
        write_password(recordings / "password", "nobody needs to know it")
        password = ("--password-file", f"{recordings}/password")
        processes = {
            "demo": _start("demo", "--no-browser", recordings=recordings),
            "closed": _start("dashboard", *password, recordings=recordings),
            "measured": _start("dashboard", recordings=measured),
            "campaign": _start("dashboard", recordings=campaign),
        }
        try:
            yield {name: _address(process) for name, process in processes.items()}
        finally:
            for process in processes.values():
                process.terminate()
                process.communicate(timeout=60)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _start(*command: str, recordings: Path) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "dutytrace", *command, "--port", "0", "--recordings", recordings],
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


def _path(name: str, size: tuple[int, int], scheme: str) -> Path:
    return OUT / f"{name}-{scheme}-{size[0]}.png"


def _take(
    browser: Browser, addresses: dict[str, str], name: str, size: tuple[int, int], scheme: str
) -> None:
    server, address, ready = PAGES[name]
    width, height = size
    page = browser.new_page(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
    )
    page.goto(addresses[server] + address)
    page.locator(ready).wait_for(timeout=PATIENCE_MS)
    page.wait_for_timeout(1500)
    _show_more(page, name)
    path = _path(name, size, scheme)
    page.screenshot(path=path, full_page=width < 1000 or name.startswith(("limits", "heat", "sh")))
    page.close()
    _say(str(path.relative_to(ROOT)))


def _show_more(page: Page, name: str) -> None:
    """Do what a person would, to see what is worth a picture."""
    if name == "replay":
        page.locator('.exc[data-severity="trip"]').click()
        page.wait_for_timeout(1500)
    if name.startswith("limits"):
        if name == "limits-curve":
            page.get_by_role("button", name="winding-image").click()
        else:
            page.locator("#judge-run").click()
            page.locator("table.best").wait_for(timeout=PATIENCE_MS)
        page.locator(".lane-answer small", has_text="exact").first.wait_for(timeout=PATIENCE_MS)
        page.wait_for_timeout(4000)


if __name__ == "__main__":
    sys.exit(main())
