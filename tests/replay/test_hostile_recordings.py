"""A folder with recordings that cannot be understood, or may not be read, beside sound ones."""

import json
import os
import shutil
import time
from pathlib import Path
from typing import Any

import pytest

from dashboard.server.recording_cache import RecordingCache
from logger.errors import InputError
from replay.export import export
from replay.recording import Recording
from replay.recordings_folder import find_recordings

HOSTILE: dict[str, Any] = {
    "nesting": "[" * 50_000,
    "a giant number": '{"format": 1, "started_ns": ' + "9" * 5000 + "}",
    "a start after all time": {"started_ns": 1e30},
    "an end after all time": {"ended_ns": 2**70},
    "an end that no reader reaches": {"ended_ns": 2**61},
}


def _recording(folder: Path, sound: Recording, change: Any) -> Path:
    path = folder / "hostile"
    shutil.copytree(sound.path, path)
    if not isinstance(change, str):
        content = json.loads((path / "recording.json").read_text("utf-8"))
        content.pop("crc32", None)
        change = json.dumps({**content, **change})
    (path / "recording.json").write_text(change, encoding="utf-8")
    return path


@pytest.mark.parametrize("change", HOSTILE.values(), ids=HOSTILE)
def test_it_is_listed_as_such_and_harms_nothing(tmp_path: Path, overheat: Recording, change: Any):
    """Its neighbour is listed and opened; itself is refused in a sentence that names its file."""
    path = _recording(tmp_path, overheat, change)
    shutil.copytree(overheat.path, tmp_path / "sound")
    sound, hostile = find_recordings(tmp_path)
    assert (sound.path.name, sound.fault) == ("sound", "")
    assert hostile.path.name == "hostile"
    assert "recording.json" in hostile.fault
    assert RecordingCache(tmp_path).newest_name() == "sound"
    with pytest.raises(InputError, match=r"recording\.json"):
        Recording.open(path)


def test_a_start_long_before_its_rows(tmp_path: Path, overheat: Recording):
    """Without an end the rows say how long it is: chunk by chunk it would take for ever."""
    path = _recording(tmp_path, overheat, {"started_ns": 0, "ended_ns": None, "rows": {}})
    with pytest.raises(InputError, match="five years"):
        Recording.open(path)


def test_an_export_reads_no_further_than_the_rows(tmp_path: Path, overheat: Recording):
    """A recording that says it goes on for four years after its last row: as if it did not."""
    times = []
    rows = []
    for ended_ns in (overheat.end_ns, overheat.end_ns + 4 * 365 * 86_400 * 10**9):
        folder = tmp_path / str(ended_ns)
        path = _recording(folder, overheat, {"ended_ns": ended_ns})
        begun_s = time.monotonic()
        rows.append(export(Recording.open(path), folder / "out.parquet"))
        times.append(time.monotonic() - begun_s)
    assert rows[0] == rows[1] > 0
    # Its two million windows would take a thousand times as long.
    assert times[1] < 30 * times[0] + 5.0


def test_a_folder_that_may_not_be_read(
    tmp_path: Path, overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """It is listed with the reason, also where it cannot even be looked into."""
    shutil.copytree(overheat.path, tmp_path / "sound")
    (tmp_path / "closed").mkdir()
    before = Path.exists

    def exists(path: Path) -> bool:
        if path.parent.name == "closed":
            raise PermissionError(13, "Permission denied", str(path))
        return before(path)

    monkeypatch.setattr(Path, "exists", exists)
    entries = {entry.path.name: entry.fault for entry in find_recordings(tmp_path)}
    assert entries["sound"] == ""
    assert "Permission denied" in entries["closed"]


def test_recordings_that_may_not_be_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The folder is named, with the reason; a folder that is not there has none."""
    assert find_recordings(tmp_path / "none") == []

    def scandir(path: object) -> object:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(os, "scandir", scandir)
    with pytest.raises(InputError, match=r"cannot be read \(Permission denied\)"):
        find_recordings(tmp_path)
