"""Trips first, chatter last, and steps that go by what matters."""

from dashboard.replay.alert_order import AlertFilter, alert_stops, worst_first
from dashboard.replay.excursion_rows import excursion_details, excursion_rows
from dashboard.replay.not_judged_rows import not_judged_rows
from dashboard.text.units import DEFAULT_DISPLAYS
from logger.limits.lifecycle import Alert
from replay.excursions.applied_limits import recorded_limits
from replay.recording import Recording
from tests.support.crowded import ELBOW

S = 1_000_000_000
CHATTERING = "over-torque-of-a-single-stroke"


def _alert(at_s: float, *, severity: str = "warning", limit: str = "warm") -> Alert:
    return Alert(
        number=1,
        joint="elbow",
        limit=limit,
        severity=severity,
        channel="torque_Nm",
        raised_ns=round(at_s * S),
        text="",
    )


def test_stops_are_alerts_and_never_chatter():
    """Of a run of three a minute the first; what is as frequent but of two limits is none."""
    chatter = [_alert(at_s, limit="chatter") for at_s in (10, 12, 14, 16, 200)]
    others = [_alert(11), _alert(13, severity="trip", limit="hot"), _alert(40)]
    assert alert_stops([*chatter, *others], 0) == [10, 11, 13, 40, 200]
    assert alert_stops([*chatter, *others], 0, trips=True) == [13]
    assert alert_stops([_alert(-5)], 0) == [0]


def test_trips_are_first_and_chatter_is_last():
    """Whatever their time; within each they keep it."""
    chatter = [_alert(at_s, limit="chatter") for at_s in (10, 12, 14)]
    others = [_alert(50), _alert(300, severity="trip", limit="hot")]
    alerts = [*chatter, *others]
    order = worst_first(alerts)
    listed = sorted(alerts, key=lambda alert: (*order(alert), alert.raised_ns))
    assert [alert.raised_ns // S for alert in listed] == [300, 10, 50, 12, 14]


def test_the_list_and_its_lead_ups_are_in_one_order(crowded: Recording):
    """Of all of them and of those that are chosen, so that a lead-up stands beside its line."""
    applied = recorded_limits(crowded)
    rows, total = excursion_rows(crowded, applied, DEFAULT_DISPLAYS)
    assert len(rows) == total > 250
    trips = [row["severity"] == "trip" for row in rows]
    assert trips == sorted(trips, reverse=True)
    assert trips.count(True) == 3
    # A chattering limit does not hide the one warning of the housing, which came after hundreds.
    assert "housing-warm" in [row["limit"] for row in rows[:10]]
    for chosen in (
        AlertFilter(),
        AlertFilter(severity="trip"),
        AlertFilter(joint="elbow"),
        AlertFilter(limit=CHATTERING, joint="shoulder"),
    ):
        listed = [
            row
            for row in rows
            if chosen.severity in {"", row["severity"]}
            and chosen.joint in {"", row["joint"]}
            and chosen.limit in {"", row["limit"]}
        ]
        details = excursion_details(
            crowded, applied, DEFAULT_DISPLAYS, first=1, count=3, chosen=chosen
        )
        keys = ("at_s", "limit", "joint")
        found = [[one[key] for key in keys] for one in details]
        assert found == [[row[key] for key in keys] for row in listed[1:4]]


def test_a_limit_that_cannot_be_judged_says_so(crowded: Recording):
    """The elbow reports no winding: its limit is listed, with what it lacks."""
    rows = not_judged_rows(crowded, recorded_limits(crowded), DEFAULT_DISPLAYS)
    assert [(row["limit"], row["at_s"]) for row in rows] == [("winding", None)]
    assert rows[0]["text"] == f"cannot be judged: winding of {ELBOW} is not reported"
