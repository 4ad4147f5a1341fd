"""The command itself, in a process of its own, as somebody types it."""

import os
import subprocess
from pathlib import Path

from tests.support.warm_process import run_warm

__all__ = ["ROOT", "assert_refused", "run"]

ROOT = Path(__file__).parents[2]


def run(
    *arguments: str, cwd: Path | None = None, within_s: float = 120.0
) -> "subprocess.CompletedProcess[str]":
    """Run `dutytrace` with arguments to its end; raises TimeoutExpired where that takes longer."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return run_warm("dutytrace", *arguments, cwd=cwd, env=environment, timeout=within_s)


def assert_refused(done: "subprocess.CompletedProcess[str]", *words: str) -> None:
    """Hold that a command ended in one sentence with certain words, and exit status 2."""
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("dutytrace: ")
    for word in words:
        assert word in done.stderr
