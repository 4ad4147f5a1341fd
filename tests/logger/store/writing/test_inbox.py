"""Requests: whatever lies in the inbox, the recorder goes on, and no note is lost in silence."""

import json
import os
import time
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.simulate import scenario
from logger.store.layout.files import INBOX_FOLDER
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_request
from logger.store.repair.recovery import seal
from logger.store.writing.inbox import EventRequest, InboxWatch, claim_requests, to_event
from logger.store.writing.live_writer import RecordingWriter

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _writer(path: Path) -> RecordingWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return RecordingWriter(path, manifest, BENCH, now_s=0.0)


def _inbox(tmp_path: Path) -> Path:
    folder = tmp_path / INBOX_FOLDER
    folder.mkdir()
    return folder


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b"[" * 19_000,
        b"null",
        b'{"kind": "delete"}',
        b'{"kind": "note", "text": "x", "more": 1}',
        b'{"kind": "note", "text": "\\ud800"}',
        b'{"kind": "note", "text": "' + b"x" * 2001 + b'"}',
        b'{"kind": "note", "text": "' + b"x" * 50_000 + b'"}',
        b'{"kind": "acknowledge", "alert": 1e30}',
        b'{"kind": "acknowledge", "alert": -1}',
        b'{"kind": "shelve", "alert": 1, "for_s": NaN}',
        b'{"kind": "shelve", "alert": 1, "for_s": 1e9}',
        b'{"format": 2, "kind": "note", "text": "x"}',
    ],
)
def test_what_is_no_request_is_set_aside(tmp_path: Path, content: bytes):
    """It is kept for whoever looks, and the requests behind it are taken."""
    folder = _inbox(tmp_path)
    (folder / "1.json").write_bytes(content)
    (folder / "2.json").write_text('{"kind": "note", "text": "after"}', encoding="utf-8")
    assert [request.text for request in claim_requests(tmp_path)] == ["after"]
    assert sorted(path.name for path in folder.iterdir()) == ["1.unreadable", "2.taken"]
    assert claim_requests(tmp_path) == []
    assert [path.name for path in folder.iterdir()] == ["1.unreadable"]


def test_a_folder_and_a_pipe_in_the_inbox_stop_nobody(tmp_path: Path):
    """What is no file is not read, for reading it could last for ever."""
    folder = _inbox(tmp_path)
    (folder / "1.json").mkdir()
    os.mkfifo(folder / "2.json")
    (folder / "3.json").symlink_to("nowhere")
    assert claim_requests(tmp_path) == []
    assert not list(folder.glob("*.json"))


def test_a_request_that_is_still_being_written_is_left_alone(tmp_path: Path):
    """Only a renamed file counts; with no inbox at all there is nothing."""
    assert claim_requests(tmp_path) == []
    folder = _inbox(tmp_path)
    (folder / ".1.json.aside").write_text("{", encoding="utf-8")
    (folder / ".2.json").write_text("{", encoding="utf-8")
    assert claim_requests(tmp_path) == []
    assert len(list(folder.iterdir())) == 2


def test_a_note_cannot_steer_a_terminal():
    """Control characters go, line breaks become spaces, all else stays as it was written."""
    request = EventRequest(kind="note", text="\x1b[2Jfan\r\noff\x07 <b>ü</b> \u0663", who="a\x00b")
    assert request.text == "[2Jfan  off <b>ü</b> \u0663"
    assert request.who == "ab"


def test_requests_become_events():
    """Each kind under its name; only a shelving has a duration."""
    note = to_event(EventRequest(kind="note", text="t", who="w"), sequence=4, time_ns=9)
    assert (note.kind, note.text, note.who, note.sequence, note.time_ns) == ("note", "t", "w", 4, 9)
    assert note.duration_s != note.duration_s
    shelved = to_event(EventRequest(kind="shelve", alert=2, for_s=60.0), sequence=0, time_ns=0)
    assert (shelved.kind, shelved.alert, shelved.duration_s) == ("shelved", 2, 60.0)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"kind": "note"}, "no text"),
        ({"kind": "note", "text": "\x07 \n"}, "no text"),
        ({"kind": "note", "text": "x" * 2001}, "2000"),
        ({"kind": "acknowledge"}, "alert number"),
        ({"kind": "shelve", "alert": 1}, "how long"),
        ({"kind": "shelve", "alert": 1, "for_s": -1.0}, "for_s"),
        ({"kind": "shelve", "alert": 1, "for_s": float("nan")}, "for_s"),
        ({"kind": "acknowledge", "alert": 10**30}, "alert"),
    ],
)
def test_an_incomplete_request_is_refused(tmp_path: Path, asked: dict, words: str):
    """In a sentence, before anything is written."""
    with pytest.raises(InputError, match=words):
        submit_request(tmp_path, **asked)
    assert list(tmp_path.iterdir()) == []


def test_what_a_dead_recorder_was_asked_is_done_by_seal(tmp_path: Path):
    """Requests left in the inbox become events in their order, once."""
    path = tmp_path / "rec"
    writer = _writer(path)
    for text in ("one", "two"):
        submit_request(path, kind="note", text=text)
    writer.abandon()
    assert RecordingReader(path).read_events() == ()
    assert seal(path)
    assert not seal(path)
    events = RecordingReader(path).read_events()
    assert [(event.sequence, event.text) for event in events] == [(0, "one"), (1, "two")]


def test_many_notes_after_the_end_keep_one_sequence(tmp_path: Path):
    """Each is numbered behind the last, and the recording stays whole."""
    path = tmp_path / "rec"
    _writer(path).close(ended_ns=START_NS + 1, cause="test")
    for index in range(5):
        submit_request(path, kind="note", text=str(index))
    reader = RecordingReader(path)
    assert [(event.sequence, event.text) for event in reader.read_events()] == [
        (index, str(index)) for index in range(5)
    ]
    assert reader.describe_missing() == ()


def test_a_request_lies_in_the_inbox_whole(tmp_path: Path):
    """What a page posts is what the logger takes."""
    path = tmp_path / "rec"
    writer = _writer(path)
    submit_request(path, kind="shelve", alert=3, for_s=90.0, who="h")
    (file,) = (path / INBOX_FOLDER).iterdir()
    assert json.loads(file.read_text(encoding="utf-8"))["for_s"] == 90.0
    (taken,) = claim_requests(path)
    assert taken.name == file.stem
    assert taken == EventRequest(kind="shelve", alert=3, for_s=90.0, who="h", name=file.stem)
    writer.abandon()


def test_an_inbox_in_which_nothing_happens_is_not_listed(tmp_path: Path):
    """A look at the folder's time is enough; one that is recent, or a second without, is not."""
    folder = tmp_path / "inbox"
    folder.mkdir()
    long_ago_ns = time.time_ns() - 3600 * 1_000_000_000
    os.utime(folder, ns=(long_ago_ns, long_ago_ns))
    watch = InboxWatch(tmp_path)
    looks = [watch.may_hold_more(at_s) for at_s in (10.0, 10.1, 10.5, 10.9, 11.0, 11.1)]
    assert looks == [True, False, False, False, True, False]
    # Any file that comes changes the time; so soon after, another may have come in the same tick.
    (folder / "note.json").write_text("{}")
    assert [watch.may_hold_more(at_s) for at_s in (11.2, 11.3)] == [True, True]
    os.utime(folder, ns=(long_ago_ns, long_ago_ns + 1))
    assert [watch.may_hold_more(at_s) for at_s in (11.4, 11.5)] == [True, False]
    # A clock that was set back: the folder's time lies ahead, and says as much.
    ahead_ns = time.time_ns() + 3600 * 1_000_000_000
    os.utime(folder, ns=(ahead_ns, ahead_ns))
    assert [watch.may_hold_more(at_s) for at_s in (11.6, 11.7)] == [True, False]


def test_an_inbox_that_is_gone_stops_nobody(tmp_path: Path):
    """There is nothing to list, once a second."""
    watch = InboxWatch(tmp_path / "moved")
    assert [watch.may_hold_more(at_s) for at_s in (1.0, 1.5, 2.0)] == [True, False, True]
    assert claim_requests(tmp_path / "moved") == []
