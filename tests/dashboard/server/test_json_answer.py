"""Answers carry every name that a folder can have."""

import json
import math
import os
import shutil
from pathlib import Path

import pytest

from dashboard.server.json_answer import JsonAnswer
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


def test_what_json_has_no_word_for_is_unknown():
    """A row with an infinity, which no recorder writes, is no fault of the page that shows it."""
    content = {"peak": math.inf, "rows": [1.5, (math.nan, -math.inf, "x")], "count": 3}
    assert json.loads(JsonAnswer(content).body) == {
        "peak": None,
        "rows": [1.5, [None, None, "x"]],
        "count": 3,
    }
