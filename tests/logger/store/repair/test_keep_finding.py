"""A finding is kept whole or not at all, by the one writer, and never changed."""

import errno
import json
import threading
from functools import partial
from pathlib import Path

import pytest

import logger.store.writing.finding_files as files_module
from logger.errors import InputError, OutsideFault
from logger.event_kind import EventKind
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import record
from logger.store.layout.files import FINDINGS_FOLDER, INBOX_FOLDER
from logger.store.layout.manifest import new_manifest
from logger.store.reading.findings import read_findings
from logger.store.repair.keep_finding import keep_finding
from logger.store.repair.recovery import seal
from logger.store.writing.inbox import claim_requests, claimed_files, to_event
from logger.store.writing.live_writer import RecordingWriter
from logger.store.writing.request_files import file_of_request
from replay.check import check_recording
from replay.recording import Recording
from tests.support.findings import play_finding, small_recording
from tests.support.heat_recordings import START_NS, heat_bench
from tests.support.parts import SEALED_HERE

BENCH = heat_bench(["current_A"])


def _writer(path: Path) -> RecordingWriter:
    return RecordingWriter(
        path,
        new_manifest(BENCH, name="t", started_ns=START_NS),
        BENCH,
        now_s=0.0,
        flush_policy=SEALED_HERE,
    )


def _events(path: Path) -> list[str]:
    return [
        event.text for event in Recording.open(path).read_events() if event.kind == "finding kept"
    ]


def test_a_finding_of_a_finished_recording(tmp_path: Path):
    """A file of its own, an event, nothing else; the recording stays whole."""
    recording = small_recording(tmp_path / "rec")
    kept = keep_finding(recording.path, play_finding(recording), who="eva")
    assert recording.read_findings().findings == (kept,)
    assert (len(kept.id), kept.who, kept.replaces) == (32, "eva", None)
    assert kept.program.startswith("dutytrace ")
    assert kept.made_ns > START_NS
    (file,) = (recording.path / FINDINGS_FOLDER).iterdir()
    assert json.loads(file.read_text(encoding="utf-8"))["id"] == kept.id == file.stem
    opened = Recording.open(recording.path)
    (event,) = [one for one in opened.read_events() if one.kind == EventKind.FINDING]
    assert (event.joint, event.who) == ("a", "eva")
    assert event.text == "backlash of a: a finding was kept."
    assert check_recording(opened).is_complete


def test_kept_again_from_the_same_spans_it_replaces(tmp_path: Path):
    """The older one stays in its file, and is not current any more; other settings stand beside."""
    recording = small_recording(tmp_path / "rec")
    first = keep_finding(recording.path, play_finding(recording))
    before = (recording.path / FINDINGS_FOLDER / f"{first.id}.json").read_bytes()
    second = keep_finding(recording.path, play_finding(recording, 9.5))
    other = keep_finding(recording.path, play_finding(recording, 9.0, settings={"loads": 2.0}))
    assert (second.replaces, other.replaces) == (first.id, None)
    stored = recording.read_findings()
    assert stored.current == (second, other)
    assert stored.findings == (first, second, other)
    assert (recording.path / FINDINGS_FOLDER / f"{first.id}.json").read_bytes() == before
    third = keep_finding(recording.path, play_finding(recording, 8.0, replaces=other.id))
    assert recording.read_findings().current == (second, third)


def test_a_live_recording_is_asked(tmp_path: Path):
    """The recorder writes it, not who found it; its request stays until it is on the disk."""
    path = tmp_path / "rec"
    writer = _writer(path)
    kept = keep_finding(path, play_finding())
    assert not (path / FINDINGS_FOLDER).exists()
    (request,) = claim_requests(path)
    assert (request.finding, request.joint) == (kept.id, "a")
    task = writer.do_on_disk(file_of_request(request))
    assert claim_requests(path, in_work={request.name}) == []
    assert len(claimed_files(path)) == 1, "it may not be on the disk yet"
    task.result()
    assert read_findings(path).findings == (kept,)
    assert claim_requests(path) == []
    assert claimed_files(path) == []
    writer.abandon()


def test_a_recorder_that_runs_keeps_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Through the inbox, while it records: a file, an event, an empty inbox."""
    path = tmp_path / "rec"
    kept = []

    tick = RecordingWriter.tick

    def asked_once(self: RecordingWriter, now_s: float) -> None:
        if not kept:
            kept.append(keep_finding(path, play_finding()))
        tick(self, now_s)

    monkeypatch.setattr(RecordingWriter, "tick", asked_once)
    record(
        RecordSettings(
            bench=BENCH, where="b", limits=LimitSet(), out=path, name="t", duration_s=0.5
        ),
        stop=threading.Event(),
    )
    assert read_findings(path).findings == tuple(kept)
    assert _events(path) == ["backlash of a: a finding was kept."]
    assert list((path / INBOX_FOLDER).iterdir()) == []


def test_killed_at_any_step_it_is_kept_once(tmp_path: Path):
    """Before it was taken, after, with its file and without its event, with event, without file."""
    for step in range(4):
        path = tmp_path / f"rec{step}"
        writer = _writer(path)
        kept = keep_finding(path, play_finding())
        if step > 0:
            (request,) = claim_requests(path)
        if step == 2:
            writer.do_on_disk(file_of_request(request)).result()
        if step == 3:
            writer.append_events([to_event(request, sequence=0, time_ns=START_NS)])
        writer.abandon()
        assert seal(path)
        assert read_findings(path).findings == (kept,), step
        assert len(_events(path)) == 1, step
        assert not seal(path)
        assert list((path / INBOX_FOLDER).iterdir()) == []


@pytest.mark.parametrize("live", [False, True])
def test_a_full_disk_leaves_nothing_half(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, live: bool
):
    """An outside fault in a sentence; what a dead recorder was asked is done when there is room."""
    path = tmp_path / "rec"
    if live:
        writer = _writer(path)
        keep_finding(path, play_finding())
        writer.abandon()
    else:
        small_recording(path)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(files_module, "write_atomically", full)
        with pytest.raises(OutsideFault, match=r"the finding cannot be kept \(No space left"):
            _ = seal(path) if live else keep_finding(path, play_finding())
    assert read_findings(path).findings == ()
    assert _events(path) == []
    if live:
        assert seal(path)
        assert len(read_findings(path).findings) == 1


def test_what_cannot_be_kept_is_refused(tmp_path: Path):
    """No recording, no such joint: in a sentence, before anything is written."""
    with pytest.raises(InputError, match="no such recording"):
        keep_finding(tmp_path / "none", play_finding())
    recording = small_recording(tmp_path / "rec")
    with pytest.raises(InputError, match="a finding of 'b', expected one of its joints: a"):
        keep_finding(recording.path, play_finding(joint="b"))
    assert not (recording.path / FINDINGS_FOLDER).exists()


def test_a_recording_that_was_moved_gets_none_in_its_old_place(tmp_path: Path):
    """The recorder ends with its sentence, and makes no folder there."""
    path = tmp_path / "rec"
    writer = _writer(path)
    path.rename(tmp_path / "moved")
    task = writer.do_on_disk(
        partial(files_module.write_finding_file, finding_id="1" * 32, content=b"{}")
    )
    with pytest.raises(OutsideFault, match="moved"):
        task.result()
    assert not path.exists()
    with pytest.raises(OutsideFault, match="moved"):
        writer.tick(1.0)
    writer.abandon()
    assert not path.exists()
