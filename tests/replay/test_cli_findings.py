"""`dutytrace findings`: what was kept, by the joint's label, with what is not read said."""

import json
from pathlib import Path

from logger.store.repair.keep_finding import keep_finding
from tests.support.command import run
from tests.support.findings import play_finding, small_recording


def test_findings_are_listed(tmp_path: Path):
    """Current ones; replaced ones are counted; one of a newer format is said."""
    recording = small_recording(tmp_path / "rec", settings='label = "Left knee"\n')
    keep_finding(recording.path, play_finding(recording))
    kept = keep_finding(recording.path, play_finding(recording, 9.0))
    (recording.path / "findings" / f"{'1' * 32}.json").write_text(json.dumps({"format": 3}))
    told = run("findings", "rec", cwd=tmp_path).stdout
    (row,) = [line for line in told.splitlines() if "Left knee" in line]
    assert " 9.0 (" in row
    assert "arcmin" in row
    assert row.endswith(kept.id[:8])
    assert "1 that a later one replaces: --all." in told
    assert "A newer dutytrace made this finding: it is kept, and not read here." in told
