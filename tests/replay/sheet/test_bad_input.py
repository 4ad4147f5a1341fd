"""What a sheet and a report make of findings that are strange, and of joints that share a name."""

import json
import shutil
from datetime import UTC
from pathlib import Path

import pytest

from dashboard.sheet.view import sheet_view
from logger.errors import InputError
from logger.store.repair.keep_finding import keep_finding
from logger.store.tools.cut import copy_span
from replay.report.document import report_html
from replay.report.evidence import read_evidence
from replay.sheet.sheet import make_sheet
from replay.sheet.specimens import find_specimens
from replay.sheet.words import reason_text, sheet_note_lines
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS
from tests.support.report_page import read_report

CLAIM = "claims = { backlash_arcmin = 12.0 }\n"
NEWER = "A newer dutytrace made this finding: it is kept, and not read here."


def _text_of(*recordings: Path) -> str:
    (main,) = read_report(report_html(read_evidence(recordings))).all_of("main")
    return " ".join(main.text.split())


def test_a_finding_of_a_newer_format_is_said(tmp_path: Path):
    """Sheet, page and report say so; what else was found counts as ever; its file stays."""
    recording = small_recording(tmp_path / "day0", settings=CLAIM)
    keep_finding(recording.path, play_finding(recording))
    newer = recording.path / "findings" / f"{'1' * 32}.json"
    newer.write_text(json.dumps({"format": 9, "kind": "<b>backlash</b>"}))
    listed = find_specimens(tmp_path)
    assert any(NEWER in line for line in sheet_note_lines(listed))
    assert any(NEWER in line for line in sheet_view(listed, joint="", others=(), zone=UTC)["notes"])
    (specimen,) = listed.specimens
    assert len(specimen.quantities) == 1
    assert NEWER in _text_of(recording.path)
    assert newer.is_file()


def test_a_finding_whose_recording_is_not_there_is_kept_and_said(tmp_path: Path):
    """A cut has it still; it counts, leads nowhere, and sheet and report say why."""
    recording = small_recording(tmp_path / "day0", settings=CLAIM)
    keep_finding(recording.path, play_finding(recording))
    piece = tmp_path / "piece"
    copy_span(
        recording.path, out=piece, start_ns=recording.start_ns, end_ns=recording.end_ns - 5 * S
    )
    whole = _text_of(recording.path)
    shutil.rmtree(recording.path)
    listed = find_specimens(tmp_path)
    (row,) = make_sheet(listed.specimens[0]).rows
    assert row.measured.value == 10.0
    said = "a recording that it stands on is not among these"
    assert said in reason_text(row)
    (shown,) = sheet_view(listed, joint="", others=(), zone=UTC)["rows"]
    assert shown["sources"] == [{"text": "piece", "href": ""}]
    assert said.capitalize() in _text_of(piece)
    assert said.capitalize() not in whole


def test_two_serials_of_one_name_are_two_pages(tmp_path: Path):
    """Each has its own verdicts in the report, by its serial; a name alone chooses neither."""
    for day, (serial, value) in enumerate((("A-1", 10.0), ("B-2", 20.0))):
        recording = small_recording(
            tmp_path / f"day{day}",
            start_ns=START_NS + day * 86_400 * S,
            settings=f'serial = "{serial}"\n{CLAIM}',
        )
        keep_finding(recording.path, play_finding(recording, value))
    both = tmp_path / "day0", tmp_path / "day1"
    page = read_report(report_html(read_evidence(both)))
    heads = [one.text for one in page.all_of("h2")]
    assert {"A A-1", "A B-2"} <= set(heads)
    verdicts = page.table_with("joint", "claim")
    assert [[*row[:3], row[4].partition(" by")[0]] for row in verdicts[1:]] == [
        ["a A-1", "backlash", "12.0 arcmin", "meets it"],
        ["a B-2", "backlash", "12.0 arcmin", "falls short"],
    ]
    assert [row[3].partition(" (")[0] for row in verdicts[1:]] == ["10.0", "20.0"]
    assert "a is the name of several specimens: A-1, B-2." in _text_of(*both)
    with pytest.raises(InputError, match="the name of 2 specimens, expected one of their serials"):
        read_evidence(both, ["a"])


def test_a_recording_with_claims_that_nobody_knows(tmp_path: Path):
    """A later program may know them: the folder's sheet goes on without it and says which."""
    small_recording(tmp_path / "day0", settings=CLAIM)
    strange = small_recording(tmp_path / "day1", start_ns=START_NS + 86_400 * S, settings=CLAIM)
    manifest = strange.path / "recording.json"
    content = json.loads(manifest.read_text())
    content["bench"] = content["bench"].replace("backlash_arcmin", "backlash_furlong")
    manifest.write_text(json.dumps(content))
    listed = find_specimens(tmp_path)
    assert [one.recordings for one in listed.specimens] == [("day0",)]
    (said,) = [line for line in sheet_note_lines(listed) if "day1" in line]
    assert "backlash_furlong" in said
    assert "names no known unit of the backlash" in said
    with pytest.raises(InputError, match="backlash_furlong"):
        read_evidence([strange.path])
