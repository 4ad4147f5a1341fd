"""What Live says of a plan that is followed."""

from dataclasses import replace
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest

from dashboard.live import campaign_text
from dashboard.live.campaign_text import campaign_status
from dashboard.text.format import format_short_date_time
from replay.campaign.present_stage import present_stage
from replay.recording import Recording
from tests.support.followed_plan import record_campaign
from tests.support.heat_recordings import START_NS, S, record_channels


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give a recording that follows a plan, until somebody says that it is enough."""
    return record_campaign(tmp_path_factory.mktemp("campaign") / "followed", [])


def test_the_stage_and_its_progress_are_told(followed: Recording):
    """By the newest row of progress; a stage that a note ends has no expected end."""
    assert campaign_status(followed, zone=UTC) == {
        "stage": "until somebody says, stage 3 of 4",
        "progress": "until the note \u201cenough\u201d; cycle 59",
        "end": "",
    }


def test_without_a_plan_nothing_is_said(tmp_path: Path):
    """No line at all."""
    times = START_NS + np.arange(10, dtype=np.int64) * S
    recording = record_channels(tmp_path / "plain", times, {"torque_Nm": np.ones(10)}, hold_s=2.0)
    assert campaign_status(recording, zone=UTC) is None


def test_the_expected_end_is_told_to_the_minute(
    followed: Recording, monkeypatch: pytest.MonkeyPatch
):
    """With its day, since a stage takes weeks, and without seconds that nobody knows."""
    now = present_stage(followed)
    assert now is not None
    expected = replace(now, stage="last", index=3, expected_ns=START_NS + 90_061 * S)
    monkeypatch.setattr(campaign_text, "present_stage", lambda _recording: expected)
    said = campaign_status(followed, zone=UTC)
    assert said is not None
    assert said["end"] == f"expected end {format_short_date_time(START_NS + 90_061 * S, UTC)}"
    assert said["end"].count(":") == 1
