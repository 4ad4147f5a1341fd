"""What the browser tests of the Limits page share."""

import shutil
from pathlib import Path

import pytest

from replay.recording import Recording


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder with the overheat in it twice."""
    path = tmp_path / "recordings"
    for name in ("first", "second"):
        shutil.copytree(overheat.path, path / name)
    return path
