"""Findings are read with the recording, wherever it goes; strange ones are kept and told."""

import json
import os
from pathlib import Path

import pytest

from logger.errors import OutsideFault
from logger.findings.finding_text import UnreadReason
from logger.store.layout.files import FINDINGS_FOLDER
from logger.store.layout.remote import Address, location_of
from logger.store.reading.findings import read_findings
from logger.store.repair.keep_finding import keep_finding
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import write_tar
from logger.store.tools.unpack import extract_recording
from tests.support.findings import S, play_finding, small_recording


def test_strange_files_are_left_alone(tmp_path: Path):
    """A newer format, damage, a foreign name, a pipe, a folder: the others are read as ever."""
    recording = small_recording(tmp_path / "rec")
    kept = keep_finding(recording.path, play_finding(recording))
    folder = recording.path / FINDINGS_FOLDER
    text = (folder / f"{kept.id}.json").read_text(encoding="utf-8")
    strange = {
        "1" * 32: json.dumps({"format": 3, "made": "later"}),
        "2" * 32: text[:-40],
        "3" * 32: text,
        "4" * 32: "x" * 300_000,
    }
    for name, content in strange.items():
        (folder / f"{name}.json").write_text(content, encoding="utf-8")
    os.mkfifo(folder / f"{'5' * 32}.json")
    (folder / f"{'6' * 32}.json").mkdir()
    (folder / "notes.json").write_text("mine")
    (folder / f".{'7' * 32}.json.aside").write_text("half")
    stored = read_findings(recording.path)
    assert stored.findings == (kept,)
    assert [(one.id[0], one.reason) for one in stored.unread] == [
        ("1", UnreadReason.NEWER),
        *((digit, UnreadReason.DAMAGED) for digit in "23456"),
    ]
    assert "A newer dutytrace" in stored.unread[0].sentence
    assert sorted(strange) == sorted(name for name in strange if (folder / f"{name}.json").exists())


def test_a_recording_without_findings(tmp_path: Path):
    """As those of older recorders: there is no folder, and nothing is made by looking."""
    recording = small_recording(tmp_path / "rec")
    assert recording.read_findings().findings == ()
    assert not (recording.path / FINDINGS_FOLDER).exists()


def test_a_cut_takes_along_what_stands_on_its_span(tmp_path: Path):
    """With what replaces it and was replaced by it, and what only a newer program reads."""
    recording = small_recording(tmp_path / "rec", seconds=40)
    early = keep_finding(recording.path, play_finding(recording))
    better = keep_finding(
        recording.path, play_finding(recording, spans=(), replaces=early.id, kind="friction")
    )
    span = (
        play_finding(recording)
        .spans[0]
        .model_copy(
            update={"from_ns": recording.start_ns + 30 * S, "to_ns": recording.start_ns + 32 * S}
        )
    )
    late = keep_finding(recording.path, play_finding(recording, spans=(span,)))
    newer = recording.path / FINDINGS_FOLDER / f"{'1' * 32}.json"
    newer.write_text(json.dumps({"format": 3}))

    def ids(begin_s: int, end_s: int) -> set[str]:
        out = tmp_path / f"cut{begin_s}"
        copy_span(
            recording.path,
            out=out,
            start_ns=recording.start_ns + begin_s * S,
            end_ns=recording.start_ns + end_s * S,
        )
        stored = read_findings(out)
        assert [one.id for one in stored.unread] == ["1" * 32]
        return {one.id for one in stored.findings}

    assert ids(0, 10) == {early.id, better.id}
    assert ids(29, 35) == {late.id, early.id, better.id}, "what has no span goes with all"
    cut = read_findings(tmp_path / "cut0").findings[0]
    assert cut == early, "as it was made: it names the recording that it stands on"


def test_packed_and_unpacked_it_is_the_same(tmp_path: Path):
    """To the byte."""
    recording = small_recording(tmp_path / "rec")
    keep_finding(recording.path, play_finding(recording))
    write_tar(recording.path, tmp_path / "one.tar")
    path = extract_recording(tmp_path / "one.tar", tmp_path / "elsewhere")
    assert read_findings(path) == read_findings(recording.path)
    assert read_findings(path).findings


def test_at_an_address(tmp_path: Path):
    """Read through the same path as all else of it."""
    pytest.importorskip("fsspec", reason='the extra "remote" is not installed')
    recording = small_recording(tmp_path / "rec")
    kept = keep_finding(recording.path, play_finding(recording))
    (recording.path / FINDINGS_FOLDER / f"{'1' * 32}.json").write_text("x" * 300_000)
    stored = read_findings(location_of(f"file://{recording.path}"))
    assert stored.findings == (kept,)
    assert [one.reason for one in stored.unread] == [UnreadReason.DAMAGED]


def test_a_store_that_does_not_answer_damages_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """An outside fault, not findings that are missing or damaged."""
    pytest.importorskip("fsspec", reason='the extra "remote" is not installed')
    recording = small_recording(tmp_path / "rec")
    keep_finding(recording.path, play_finding(recording))
    address = location_of(f"file://{recording.path}")
    assert address.is_dir()

    def unanswered(*_: object) -> list[bytes]:
        raise OutsideFault("the store does not answer.")

    monkeypatch.setattr(Address, "read_ranges", unanswered)
    with pytest.raises(OutsideFault, match="does not answer"):
        read_findings(address)
