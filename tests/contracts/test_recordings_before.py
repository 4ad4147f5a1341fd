"""Recordings made by earlier recorders open and read the same: figures, events, alerts, buses."""

from pathlib import Path

import pytest

from tests.support.older import NAMES, read_then, summaries, unpacked


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_of_before_reads_as_it_did(name: str, tmp_path: Path):
    """As it lies and once sealed: what its own recorder's reader made of it, to the last figure."""
    assert summaries(unpacked(name, tmp_path)) == read_then(name)
