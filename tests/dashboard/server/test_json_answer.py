"""Answers carry every name that a folder can have."""

import json
import os
import shutil
from pathlib import Path

import pytest

from replay.recording import Recording


@pytest.mark.parametrize("route", ["recordings", "bus/recordings", "limits"])
def test_a_folder_whose_name_is_no_utf8_is_no_fault(
    serve, get, tmp_path: Path, overheat: Recording, route: str
):
    """The lists hold the other recordings, whatever bytes somebody named a folder with."""
    folder = tmp_path / "mixed"
    shutil.copytree(overheat.path, folder / "fine")
    try:
        shutil.copytree(overheat.path, os.fsdecode(os.fsencode(folder) + b"/odd-\xff"))
    except OSError:
        pytest.skip("this file system takes only names in UTF-8")
    status, text = get(f"{serve(folder)}/api/{route}")
    assert status == 200
    content = json.loads(text)
    assert "fine" in [row["path"] for row in content.get("rows", content.get("recordings"))]
