"""What tests of the bus share."""

import os
import pty
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def line(tmp_path: Path) -> Iterator[tuple[int, Path]]:
    """Give a pseudo-terminal: the adapter's end, and the name that a client opens."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    link = tmp_path / "adapter"
    link.symlink_to(os.ttyname(theirs))
    yield ours, link
    os.close(ours)
    os.close(theirs)
