"""What the program runs on installs from wheels on the computers that it is meant for.

A bench computer is often a small one without a compiler. Asked of the package index, without
installing anything.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.contracts.tree import ROOT

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("machine", ["x86_64", "aarch64"])
def test_every_locked_package_has_a_wheel(tmp_path: Path, machine: str) -> None:
    """For 64-bit Linux on the usual processor and on that of a single-board computer."""
    platforms = [f"--platform=manylinux{glibc}_{machine}" for glibc in ("_2_28", "_2_17", "2014")]
    done = subprocess.run(
        [
            sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
            "--dry-run", "--ignore-installed", "--no-deps", "--only-binary=:all:",
            "--python-version=3.11", "--implementation=cp", *platforms,
            f"--target={tmp_path}", "-r", str(ROOT / "requirements.lock"),
        ],
        capture_output=True,
        check=False,
        text=True,
        timeout=600,
    )  # fmt: skip
    if "connection" in done.stderr.lower():
        pytest.skip(f"the package index cannot be reached: {done.stderr[-300:]}")
    assert done.returncode == 0, done.stderr[-2000:]
