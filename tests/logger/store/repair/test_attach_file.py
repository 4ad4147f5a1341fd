"""Files are attached by the one writer, by checksum; what is no plain file or name is refused."""

import hashlib
import os
from pathlib import Path

import pytest

import logger.store.repair.attach_file as attach_module
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.store.layout.attachment import (
    Attachment,
    MediaType,
    is_attachment_name,
    media_type_of,
)
from logger.store.layout.files import ATTACHMENTS_FOLDER, INBOX_FOLDER
from logger.store.layout.manifest import new_manifest
from logger.store.reading.attachments import AttachmentState, content_path, read_attachments
from logger.store.repair.attach_file import attach_file
from logger.store.repair.recovery import seal
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import plan_tar
from logger.store.writing.inbox import claim_requests
from logger.store.writing.live_writer import RecordingWriter
from logger.store.writing.request_files import file_of_request
from replay.check import check_recording
from replay.recording import Recording
from tests.support.findings import small_recording
from tests.support.heat_recordings import START_NS, heat_bench
from tests.support.parts import SEALED_HERE

S = 10**9
PICTURE = b"\x89PNG\r\n\x1a\n" + bytes(range(256))


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    """Give a file that begins as a picture does."""
    path = tmp_path / "gear teeth.png"
    path.write_bytes(PICTURE)
    return path


def _attach(path: Path, source: Path, *, at_s: int = 2) -> Attachment:
    return attach_file(path, source, name=source.name, time_ns=START_NS + at_s * S, who="eva")


def test_a_file_of_a_finished_recording(tmp_path: Path, picture: Path):
    """Its bytes once, an event at its time, and the recording stays whole; pack takes it along."""
    recording = small_recording(tmp_path / "rec")
    first, second = _attach(recording.path, picture), _attach(recording.path, picture, at_s=3)
    assert first.sha256 == hashlib.sha256(PICTURE).hexdigest() == second.sha256
    stored = read_attachments(recording.path)
    assert [one.attachment for one in stored] == [first, second]
    assert {one.state for one in stored} == {AttachmentState.THERE}
    assert content_path(recording.path, first).read_bytes() == PICTURE
    assert len(list((recording.path / ATTACHMENTS_FOLDER).iterdir())) == 3
    opened = Recording.open(recording.path)
    events = [one for one in opened.read_events() if one.kind == EventKind.ATTACHED]
    assert [one.time_ns for one in events] == [START_NS + 2 * S, START_NS + 3 * S]
    assert events[0].who == "eva"
    assert check_recording(opened).is_complete
    packed = [one.tar_name for one in plan_tar(recording.path).members]
    assert f"attachments/{first.sha256}.content" in packed


def test_a_cut_takes_those_of_its_span(tmp_path: Path, picture: Path):
    """And none that shows another time."""
    recording = small_recording(tmp_path / "rec")
    inside = _attach(recording.path, picture, at_s=2)
    _attach(recording.path, picture, at_s=8)
    copy_span(
        recording.path, start_ns=START_NS + S, end_ns=START_NS + 5 * S, out=tmp_path / "piece"
    )
    (kept,) = read_attachments(tmp_path / "piece")
    assert kept.attachment == inside
    assert kept.state is AttachmentState.THERE


def test_what_is_gone_or_changed_is_said(tmp_path: Path, picture: Path):
    """Bytes are compared with their checksum by `check`, not by their length alone."""
    recording = small_recording(tmp_path / "rec")
    path = content_path(recording.path, _attach(recording.path, picture))
    path.write_bytes(PICTURE[::-1])
    (sentence,) = check_recording(Recording.open(recording.path)).missing
    assert "gear teeth.png" in sentence
    assert "other bytes" in sentence
    path.unlink()
    (sentence,) = check_recording(Recording.open(recording.path)).missing
    assert "gone from the disk" in sentence


def test_a_live_recording_attaches_through_its_inbox(tmp_path: Path, picture: Path):
    """Whoever takes the request moves the bytes; after a crash `seal` does, and only once."""
    writer = RecordingWriter(
        tmp_path / "rec",
        new_manifest(heat_bench(["current_A"]), name="t", started_ns=START_NS),
        heat_bench(["current_A"]),
        now_s=0.0,
        flush_policy=SEALED_HERE,
    )
    attached = _attach(writer.path, picture)
    assert read_attachments(writer.path) == ()
    (request,) = claim_requests(writer.path)
    write = file_of_request(request)
    assert write is not None
    writer.do_on_disk(write).result()
    write(writer.path)
    (kept,) = read_attachments(writer.path)
    assert (kept.attachment, kept.state) == (attached, AttachmentState.THERE)
    assert not list((writer.path / INBOX_FOLDER).glob("*.content"))
    writer.close(ended_ns=START_NS + S, cause="test")
    seal(writer.path)
    (event,) = [
        one for one in Recording.open(writer.path).read_events() if one.kind == EventKind.ATTACHED
    ]
    assert event.time_ns == START_NS + 2 * S


@pytest.mark.parametrize(
    "name",
    ["../x.png", "/etc/passwd", "a/b", "a\\b", ".hidden", "", " x", "x\n.png", "x\u202egnp.exe",
     "a" * 121, "c:x"],
)  # fmt: skip
def test_names_like_paths_are_refused(tmp_path: Path, picture: Path, name: str):
    """A name is a name: nothing of it leads anywhere or steers a terminal."""
    assert not is_attachment_name(name)
    recording = small_recording(tmp_path / "rec")
    with pytest.raises(InputError, match="expected one without a folder"):
        attach_file(recording.path, picture, name=name, time_ns=START_NS)
    assert not (recording.path / ATTACHMENTS_FOLDER).exists()


def test_what_is_too_large_or_no_plain_file_is_refused(
    tmp_path: Path, picture: Path, monkeypatch: pytest.MonkeyPatch
):
    """A pipe would be waited for; nothing is left of either."""
    recording = small_recording(tmp_path / "rec")
    os.mkfifo(tmp_path / "pipe")
    for source in (tmp_path / "pipe", tmp_path, tmp_path / "nothing.png"):
        with pytest.raises(InputError, match="attached"):
            _attach(recording.path, source)
    monkeypatch.setattr(attach_module, "MAX_ATTACHMENT_BYTES", 100)
    with pytest.raises(InputError, match="expected at most"):
        _attach(recording.path, picture)
    assert not list((recording.path / INBOX_FOLDER).glob("*"))
    assert read_attachments(recording.path) == ()


def test_what_bytes_are_follows_from_their_beginning():
    """Neither a name nor what a page would make of them has a say."""
    assert media_type_of(PICTURE) is MediaType.PNG
    assert media_type_of(b"\xff\xd8\xff\xe0") is MediaType.JPEG
    assert media_type_of(b"<svg onload='x'>") is MediaType.OTHER
    assert media_type_of(b"") is MediaType.OTHER
