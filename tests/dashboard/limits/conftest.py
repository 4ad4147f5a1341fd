"""What the browser tests of the Limits page share."""

import shutil
from pathlib import Path

import pytest

from replay.recording import Recording


def _two_recordings(folder: Path, overheat: Recording) -> Path:
    for name in ("first", "second"):
        shutil.copytree(overheat.path, folder / name)
    return folder


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory, overheat: Recording) -> Path:
    """Give a recordings folder with the overheat in it twice, which no test changes."""
    return _two_recordings(tmp_path_factory.mktemp("limits"), overheat)


@pytest.fixture
def own_folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give the same to a test that changes what is in it."""
    return _two_recordings(tmp_path / "recordings", overheat)
