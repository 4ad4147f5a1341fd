"""The kernel's own SocketCAN, where there is one: on this system or in a virtual machine.

Where vcan0 is up and this is root, the story runs here. Else VCAN_VM may name a command that is
given a folder and a script and runs the script where vcan0 and vcan1 are up; without it, skipped.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

STORY = Path(__file__).parents[2] / "support" / "vcan_story.py"


@pytest.mark.slow
def test_the_story_on_socketcan(tmp_path: Path):
    """Batches as python-can's, drops counted, links that go and come, two buses at once."""
    command = [sys.executable, str(STORY)]
    if not (Path("/sys/class/net/vcan0").exists() and os.geteuid() == 0):
        machine = os.environ.get("VCAN_VM")
        if not machine or shutil.which(machine) is None:
            pytest.skip("no vcan0 here, and VCAN_VM names no way to a machine that has one")
        command = [machine, "-t", "400", str(tmp_path), str(STORY)]
    ended = subprocess.run(
        command,
        env={**os.environ, "VCAN_PYTHON": sys.executable},
        capture_output=True,
        text=True,
        timeout=420,
        check=False,
    )
    assert ended.returncode == 0, ended.stdout[-3000:] + ended.stderr[-3000:]
    assert ended.stdout.count(": as promised") == 5
