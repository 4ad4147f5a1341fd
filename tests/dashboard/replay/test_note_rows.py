"""Notes as Replay lists them, through the page's routes: read, and written at the play-head."""

import json
import shutil
import urllib.request
from pathlib import Path

import pytest

from logger.store.repair.post_request import submit_request
from replay.recording import Recording


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder of its own with the overheat in it."""
    shutil.copytree(overheat.path, tmp_path / "recordings" / "overheat")
    return tmp_path / "recordings"


def _overview(address: str) -> dict:
    with urllib.request.urlopen(
        f"{address}/api/recordings/overheat/overview", timeout=30
    ) as answer:
        return json.load(answer)


def _write(address: str, content: dict) -> int:
    request = urllib.request.Request(
        f"{address}/api/requests",
        data=json.dumps({"recording": "overheat", "kind": "note", **content}).encode(),
        headers={"content-type": "application/json", "origin": address},
    )
    with urllib.request.urlopen(request, timeout=30) as answer:
        return answer.status


def test_a_note_of_afterwards_is_listed(serve, folder: Path):
    """It has no place on the traces, and the steps of the transport do not lead beyond the end."""
    submit_request(folder / "overheat", kind="note", text="looked at again", who="eva")
    opened = _overview(serve(folder))
    note = opened["notes"][-1]
    assert (note["at_s"], note["text"]) == (None, "looked at again")
    assert note["remark"] == "eva, written after the end"
    assert max(opened["alert_stops"]) <= opened["length_s"]


def test_a_note_is_written_at_the_play_head(serve, folder: Path):
    """It stands there, in order, and on the traces; one beyond the end stands at the end."""
    address = serve(folder)
    length_s = _overview(address)["length_s"]
    assert _write(address, {"text": "here the fan stopped", "at_s": 61.25}) == 200
    assert _write(address, {"text": "at the end", "at_s": length_s + 0.0004}) == 200
    opened = _overview(address)
    texts = [note["text"] for note in opened["notes"]]
    assert texts.index("here the fan stopped") < texts.index("at the end")
    note = opened["notes"][texts.index("here the fan stopped")]
    assert (note["at_s"], note["at"]) == (61.25, "00:01:01")
    assert note["remark"].startswith("written ")
    assert note["remark"].endswith(" later")
    assert opened["notes"][-1]["at_s"] == pytest.approx(length_s)
    with urllib.request.urlopen(
        f"{address}/api/recordings/overheat/window?start=30&end=90", timeout=30
    ) as answer:
        assert "here the fan stopped" in answer.read().decode()
