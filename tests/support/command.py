"""The command itself, in a process of its own, as somebody types it."""

import os
import subprocess
import sys
from pathlib import Path

__all__ = ["run"]

ROOT = Path(__file__).parents[2]


def run(*arguments: str, cwd: Path | None = None) -> "subprocess.CompletedProcess[str]":
    """Run `dutytrace` with arguments to its end."""
    return subprocess.run(
        [sys.executable, "-m", "dutytrace", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
