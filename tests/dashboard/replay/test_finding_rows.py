"""Which findings stand on a recording, and on which of its spans."""

from pathlib import Path

from dashboard.replay.finding_rows import finding_rows
from logger.findings.finding import FindingSpan
from logger.store.repair.keep_finding import keep_finding
from logger.store.tools.cut import copy_span
from replay.recording import Recording
from tests.support.findings import S, play_finding, small_recording


def test_a_row_for_each_span(tmp_path: Path):
    """In s since the start, in order, with value and interval; a replaced one has none."""
    recording = small_recording(tmp_path / "r")
    keep_finding(recording.path, play_finding(recording, 9.0))
    keep_finding(recording.path, play_finding(recording, 10.0))
    early = FindingSpan(
        recording="r", from_ns=recording.start_ns - 5 * S, to_ns=recording.start_ns + S
    )
    away = early.model_copy(update={"recording_id": "0" * 32, "recording": "at the same time"})
    before = early.model_copy(update={"to_ns": recording.start_ns})
    keep_finding(
        recording.path,
        play_finding(recording, 8.0, spans=(early, away, before), kind="friction_torque"),
    )
    keep_finding(recording.path, play_finding(None, 7.0, kind="mass"))
    first, second = finding_rows(recording)
    assert (first["title"], first["from_s"], first["to_s"]) == ("friction torque of a", 0.0, 1.0)
    assert (second["title"], second["from_s"], second["to_s"]) == ("backlash of a", 2.0, 8.0)
    assert second["text"] == "backlash 10.0 (8.6 to 11.4) arcmin"
    assert second["at"] == "00:00:02 to 00:00:08"


def test_a_cut_has_those_of_its_own_span(tmp_path: Path):
    """What it carried along stands where its rows stand now."""
    recording = small_recording(tmp_path / "r")
    keep_finding(recording.path, play_finding(recording))
    copy_span(
        recording.path,
        out=tmp_path / "piece",
        start_ns=recording.start_ns + 4 * S,
        end_ns=recording.start_ns + 10 * S,
    )
    piece = Recording.open(tmp_path / "piece")
    (row,) = finding_rows(piece)
    assert row["from_s"] == 0.0
    assert row["to_s"] == (recording.start_ns + 8 * S - piece.start_ns) / 1e9
