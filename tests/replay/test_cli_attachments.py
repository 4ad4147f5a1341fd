"""`dutytrace attach`: what is no file is told as that, whenever it was written."""

import os
from pathlib import Path

from tests.support.command import assert_refused, run
from tests.support.findings import small_recording


def test_what_is_no_file_is_refused_before_its_time(tmp_path: Path):
    """A pipe or a folder without --at: its time would be asked for in vain."""
    small_recording(tmp_path / "rec")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name, found in (("folder", "found a folder"), ("pipe", "found a pipe")):
        done = run("attach", "rec", name, cwd=tmp_path)
        assert_refused(done)
        assert found in done.stderr
