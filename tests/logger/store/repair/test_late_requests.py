"""Requests that come while somebody is just finishing with the recording: none is left lying."""

import json
import threading
from pathlib import Path

import pytest

import logger.store.repair.post_request as post_request_module
import logger.store.repair.recovery as seal_module
import logger.store.writing.inbox as inbox_module
from logger.errors import OutsideFault
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import record
from logger.simulate import scenario
from logger.store.layout.files import INBOX_FOLDER
from logger.store.layout.manifest import new_manifest
from logger.store.repair.post_request import append_event, submit_request
from logger.store.repair.recovery import seal
from logger.store.writing.inbox import EventRequest, PendingRequest, queued_files
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _writer(path: Path) -> RecordingWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return RecordingWriter(path, manifest, BENCH, now_s=0.0)


def _finished(path: Path) -> Path:
    _writer(path).close(ended_ns=START_NS + 1, cause="stopped")
    return path


def _notes(path: Path) -> list[str]:
    recording = Recording.open(path)
    events = recording.read_events()
    assert [event.sequence for event in events] == sorted({event.sequence for event in events})
    return [event.text for event in events if event.kind == "note"]


def test_asked_while_another_note_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Two people at a finished recording: the second finds it taken, the first does both."""
    path = _finished(tmp_path / "rec")
    append = seal_module.append_requests
    late = iter(["second", "third"])

    def meanwhile(where: Path, requests: list[EventRequest]) -> None:
        append(where, requests)
        for text in late:
            submit_request(where, kind="note", text=text)
            break

    for module in (seal_module, post_request_module):
        monkeypatch.setattr(module, "append_requests", meanwhile)
    append_event(path, EventRequest(kind="note", text="first"))
    assert queued_files(path) == []
    assert _notes(path) == ["first", "second", "third"]


def test_asked_while_it_is_sealed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """What is asked after `seal` has looked into the inbox is taken before it ends."""
    writer = _writer(tmp_path / "rec")
    writer.abandon()
    look = seal_module.pending_requests
    late = iter(["late"])

    def then_asked(where: Path) -> list[PendingRequest]:
        found = look(where)
        for text in late:
            submit_request(where, kind="note", text=text)
        return found

    monkeypatch.setattr(seal_module, "pending_requests", then_asked)
    assert seal(tmp_path / "rec")
    assert queued_files(tmp_path / "rec") == []
    assert _notes(tmp_path / "rec")[-1] == "late"
    assert not seal(tmp_path / "rec")


def test_asked_while_the_recorder_closes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Sealing the last rows takes its time: a note of that time is an event all the same."""
    text = scenario.scenario_bench_text("closing").replace(
        'interface = "slcan"', 'interface = "virtual"'
    )
    text = "\n".join(line for line in text.splitlines() if not line.startswith("options"))
    bench = bench_from_texts(
        text.replace("send      = true", "send = false"),
        {"harvest-joint": scenario.scenario_layout_text()},
        where="bench.toml",
    )
    path = tmp_path / "rec"
    close = RecordingWriter.close

    def asked_then_closed(self: RecordingWriter, *, ended_ns: int, cause: str) -> None:
        submit_request(path, kind="note", text="fan off", who="eva")
        close(self, ended_ns=ended_ns, cause=cause)

    monkeypatch.setattr(RecordingWriter, "close", asked_then_closed)
    record(
        RecordSettings(
            bench=bench, where="b", limits=LimitSet(), out=path, name="t", duration_s=0.2
        ),
        stop=threading.Event(),
    )
    assert queued_files(path) == []
    assert _notes(path) == ["fan off"]
    assert json.loads((path / "recording.json").read_text(encoding="utf-8"))["ended"]


def test_one_that_can_never_be_taken_holds_nobody_up(tmp_path: Path):
    """A pipe that looks like a request stays where it is or is set aside; sealing ends."""
    path = _finished(tmp_path / "rec")
    (path / INBOX_FOLDER).mkdir(exist_ok=True)
    (path / INBOX_FOLDER / "1.json").mkdir()
    (path / INBOX_FOLDER / "1.unreadable").write_text("in the way", encoding="utf-8")
    append_event(path, EventRequest(kind="note", text="x"))
    assert _notes(path) == ["x"]


def test_a_request_that_the_disk_refuses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """An outside fault in a sentence, not a bare OSError: a command ends with status 3."""
    writer = _writer(tmp_path / "rec")

    def full(path: Path, write: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(inbox_module, "write_atomically", full)
    with pytest.raises(OutsideFault, match=r"the note cannot be written \(No space left"):
        submit_request(tmp_path / "rec", kind="note", text="x")
    writer.abandon()
