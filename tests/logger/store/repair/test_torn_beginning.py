"""What a power cut in the first instant leaves: removed, and nothing else ever is."""

from pathlib import Path

import pytest

from logger.errors import InputError
from logger.simulate import scenario
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import new_manifest
from logger.store.repair.torn_beginning import remove_torn_beginning
from logger.store.writing.live_writer import RecordingWriter

BENCH = scenario.scenario_bench(channel="x")


def _torn(path: Path) -> Path:
    for folder in ("journal", "inbox"):
        (path / folder).mkdir(parents=True)
    (path / "live.lock").write_text("1\n", encoding="utf-8")
    (path / ".recording.json.aside").write_bytes(b"{")
    return path


def test_a_beginning_without_anything_is_removed(tmp_path: Path):
    """The folder alone, or with all that is made before recording.json."""
    assert remove_torn_beginning(_torn(tmp_path / "torn"))
    (tmp_path / "empty").mkdir()
    assert remove_torn_beginning(tmp_path / "empty")
    assert not list(tmp_path.iterdir())
    assert not remove_torn_beginning(tmp_path / "none")


def test_whatever_else_there_is_stays(tmp_path: Path):
    """A recording, somebody's own folder, rows in a journal, a request, a folder in use."""
    manifest = new_manifest(BENCH, name="t", started_ns=10**18)
    RecordingWriter(tmp_path / "rec", manifest, BENCH, now_s=0.0).abandon()
    for number, name in enumerate(("notes.txt", "journal/000000.journal", "inbox/a.json")):
        (_torn(tmp_path / str(number)) / name).write_bytes(b"x")
    before = sorted(tmp_path.rglob("*"))
    for folder in ("rec", "0", "1", "2"):
        assert not remove_torn_beginning(tmp_path / folder)
    assert sorted(tmp_path.rglob("*")) == before
    used = _torn(tmp_path / "used")
    with WriteLock(used), pytest.raises(InputError, match="writing"):
        remove_torn_beginning(used)
    assert used.is_dir()
