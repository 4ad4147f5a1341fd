"""Limits that are handed over: checked first, taken by the one writer, refused without one."""

from pathlib import Path

import pytest

import logger.store.writing.inbox as inbox_module
from logger.errors import InputError
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_limits
from logger.store.repair.recovery import seal
from logger.store.writing.inbox import (
    MAX_LIMITS_TEXT,
    EventRequest,
    claim_requests,
    claimed_files,
    queued_files,
)
from logger.store.writing.live_writer import RecordingWriter

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
LIMITS = """
# Chosen on Monday.
format = 1
[[limit]]
name = "warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 50.0

"""


def _writer(path: Path) -> RecordingWriter:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    return RecordingWriter(path, manifest, BENCH, now_s=0.0)


def _said(path: Path) -> list[tuple[str, str]]:
    return [(event.kind, event.who) for event in RecordingReader(path).read_events()]


def test_the_whole_file_reaches_the_writer(tmp_path: Path):
    """To the last blank and line break, with who asked; as long as a limits file may be."""
    writer = _writer(tmp_path / "rec")
    long = LIMITS + "# \t°\n" * ((MAX_LIMITS_TEXT - len(LIMITS.encode())) // 6)
    for text in (LIMITS, long):
        submit_limits(tmp_path / "rec", text=text, who="eva\x07")
    assert [(one.kind, one.text, one.who) for one in claim_requests(tmp_path / "rec")] == [
        ("limits", LIMITS, "eva"),
        ("limits", long, "eva"),
    ]
    writer.abandon()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 2", "format: found 2"),
        (LIMITS.replace("housing", "gearbox"), "temperature_gearbox_degC"),
        (LIMITS.replace("format", 'joint = "nobody"\nformat'), "joint"),
        (LIMITS.replace("warning", "loud"), "severity"),
        (LIMITS + "#" * MAX_LIMITS_TEXT, "200000"),
        (LIMITS + "\ud800", "utf-8"),
    ],
)
def test_what_does_not_fit_is_refused_first(tmp_path: Path, text: str, words: str):
    """In a sentence, and nothing is asked of the recorder."""
    writer = _writer(tmp_path / "rec")
    with pytest.raises(InputError, match=words):
        submit_limits(tmp_path / "rec", text=text)
    assert queued_files(tmp_path / "rec") == []
    writer.abandon()


def test_other_requests_keep_their_bounds(tmp_path: Path):
    """A note as long as a limits file may be is none."""
    folder = tmp_path / "inbox"
    folder.mkdir()
    spaces = (
        EventRequest(kind="note", text="x")
        .model_dump_json()
        .replace('"x"', '"x' + " " * 30_000 + '"')
    )
    (folder / "1.json").write_text(spaces, encoding="utf-8")
    assert claim_requests(tmp_path) == []
    assert [path.name for path in folder.iterdir()] == ["1.unreadable"]


def test_without_a_recorder_they_are_refused(tmp_path: Path):
    """They matter only to one that runs; the recording is not touched."""
    _writer(tmp_path / "rec").close(ended_ns=START_NS + 1, cause="test")
    with pytest.raises(InputError, match=r"no recorder writes this recording.*--continue"):
        submit_limits(tmp_path / "rec", text=LIMITS)
    assert _said(tmp_path / "rec") == []
    with pytest.raises(InputError, match="no such recording"):
        submit_limits(tmp_path / "nowhere", text=LIMITS)


def test_a_recorder_that_ends_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Who asked is told, and the recording says that somebody did."""
    writer = _writer(tmp_path / "rec")
    put = inbox_module.write_atomically

    def then_ended(*args: object) -> None:
        put(*args)  # type: ignore[arg-type]
        writer.abandon()

    monkeypatch.setattr(inbox_module, "write_atomically", then_ended)
    with pytest.raises(InputError, match="no recorder writes"):
        submit_limits(tmp_path / "rec", text=LIMITS, who="eva")
    assert _said(tmp_path / "rec") == [("limits refused", "eva")]
    assert RecordingReader(tmp_path / "rec").manifest.limits_in_force == ""
    assert not seal(tmp_path / "rec")


@pytest.mark.parametrize("written", ["nothing", "recording.json", "event"])
def test_a_crash_while_they_are_taken_over(tmp_path: Path, written: str):
    """Sealing says once what became of them, wherever the recorder was when it ended."""
    path = tmp_path / "rec"
    writer = _writer(path)
    submit_limits(path, text=LIMITS, who="eva")
    (request,) = claim_requests(path)
    asked_ns = claimed_files(path)[0].stat().st_mtime_ns
    if written != "nothing":
        writer.record_limits(request.text, from_ns=asked_ns)
    if written == "event":
        said = Event(
            sequence=0,
            time_ns=asked_ns,
            kind="limits taken over",
            text="Handed over: other limits are in force from here on: warm.",
            who="eva",
            request=request.name,
        )
        writer.append_events([said])
        writer.tick(1.0)
    writer.abandon()
    assert seal(path)
    assert not seal(path)
    kind = "limits refused" if written == "nothing" else "limits taken over"
    assert _said(path) == [(kind, "eva")]
    assert queued_files(path) == claimed_files(path) == []
