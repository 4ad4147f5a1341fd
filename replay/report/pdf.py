"""A report printed to PDF by the Chromium or Chrome that is installed. Runs that program.

It is started with a profile of its own that is removed again, and fetches nothing of its own
accord; the report asks for nothing either, and its policy forbids scripts. (To forbid them by an
option as well keeps Chromium from printing at all.)
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from logger.errors import InputError, OutsideFault

__all__ = ["find_browser", "print_to_pdf"]

_NAMES: Final = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
_MAC: Final = Path("/Applications/Google Chrome.app/Contents/MacOS/Google Chrome")
_OPTIONS: Final = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LONGEST_S: Final = 180.0


def find_browser() -> str | None:
    """Return the installed browser that prints, None where there is none."""
    found = next((path for name in _NAMES if (path := shutil.which(name))), None)
    return found or (str(_MAC) if sys.platform == "darwin" and _MAC.exists() else None)


def print_to_pdf(report: Path, pdf: Path) -> None:
    """Print a report into a new PDF file.

    Raises
    ------
    InputError
        No browser is installed that prints.
    OutsideFault
        It did not print.
    """
    browser = find_browser()
    if browser is None:
        raise InputError(
            where="--pdf",
            found="no Chromium or Chrome on this machine",
            expected=f"one of {', '.join(_NAMES)}; {report.name} is written, and any browser "
            "prints it",
        )
    # A browser cannot have its sandbox as root.
    as_root = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
    with tempfile.TemporaryDirectory(prefix="dutytrace-pdf-") as profile:
        aside = Path(profile) / "report.pdf"
        command = [
            *(browser, *_OPTIONS, *as_root, f"--user-data-dir={profile}/profile"),
            *(f"--print-to-pdf={aside}", report.resolve().as_uri()),
        ]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_LONGEST_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as fault:
            raise OutsideFault(f"{browser}: it did not print {report.name} ({fault}).") from None
        if done.returncode != 0 or not aside.is_file():
            raise OutsideFault(
                f"{browser}: it did not print {report.name} (exit status {done.returncode}). The "
                "report itself is written."
            )
        shutil.move(aside, pdf)
