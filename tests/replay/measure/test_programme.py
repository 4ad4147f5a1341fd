"""The programme of a joint that is recorded."""

from pathlib import Path

from logger.store.repair.keep_finding import keep_finding
from replay.measure.programme import joint_programme, kept_kinds
from tests.support.findings import play_finding, small_recording


def test_what_is_kept_is_ticked_off(tmp_path: Path):
    """A finding of backlash answers backlash, and nothing else; levels are of this joint."""
    recording = small_recording(tmp_path / "day", settings="rated = { torque = 24.0 }\n")
    before = joint_programme([recording])
    assert not any(one.is_answered for one in before)
    keep_finding(recording.path, play_finding(recording))
    assert kept_kinds([recording]) == {"a": frozenset({"backlash"})}
    after = joint_programme([recording], "a")
    assert [one.procedure.name for one in after if one.is_answered] == ["backlash"]
    assert any("24 N.m" in one.levels for one in after)
    assert not any(one.levels for one in joint_programme([]))
