"""What a drive reports, and how old that is, in words that differ for a reason."""

import pytest

from dashboard.live import drive_text as module
from dashboard.live.drive_text import drive_text
from logger.event_kind import EventKind
from replay.drive_state import DriveState
from replay.recording import Recording

S = 1_000_000_000
NOW_NS = 1_795_000_100 * S


@pytest.mark.parametrize(
    ("since_s", "reported_s", "said"),
    [
        # Since when is known: for how long it has lasted. Else how old the report is.
        (17.4, 0.1, "for 17 s"),
        (None, 12.0, "reported 12 s ago"),
        (None, 0.4, "reported just now"),
        # It lasted when it was reported last: nobody knows whether it still does.
        (60.0, 30.0, "reported 30 s ago"),
    ],
)
def test_ages(
    overheat: Recording, monkeypatch, since_s: float | None, reported_s: float, said: str
):
    """Of a fault that stands."""
    fault = DriveState(
        text="over-temperature",
        is_active=True,
        since_ns=None if since_s is None else NOW_NS - round(since_s * S),
        reported_ns=NOW_NS - round(reported_s * S),
    )
    states = {EventKind.STATE: None, EventKind.FAULT: fault}
    monkeypatch.setattr(module, "read_drive_state", lambda _rec, _joint, kind, _new: states[kind])
    told = drive_text(overheat, "elbow", {}, NOW_NS)
    assert (told["fault"], told["fault_age"]) == ("over-temperature", said)
