"""What a joint's row says of the time to its next limit: a time, or why there is none."""

from dataclasses import replace
from datetime import UTC

import pytest

from dashboard.live.forecast_text import forecast_text
from dashboard.text.format import format_clock
from logger.joint.temperature_trend import Trend
from logger.limits.levels import LimitLevel
from logger.limits.lifecycle import Alert
from replay.trend import NoTrend, RecentTrend

TRIP = LimitLevel(
    severity="trip",
    channel="temperature_housing_degC",
    is_rising=True,
    pick_up=80.0,
    drop_off=76.0,
)
AT_NS = 1_795_000_000_000_000_000


def _told(now: float, recent: RecentTrend | None, *, stale: bool = False) -> dict:
    words, _ = forecast_text(now, [TRIP], recent, [], stale=stale, zone=UTC)
    return dict(words)


def _trend(rate: float, unsure: float) -> RecentTrend:
    return RecentTrend(trend=Trend(rate_K_per_min=rate, uncertainty_K_per_min=unsure))


def test_minutes_and_seconds():
    """Below a minute in seconds, and both ends in the same unit."""
    assert _told(74.0, _trend(0.5, 0.05)) == {
        "value": "12",
        "detail": "min (10 to 15)",
        "label": "until it reaches trip",
    }
    assert _told(79.0, _trend(2.0, 0.5)) == {
        "value": "30",
        "detail": "s (20 to 60)",
        "label": "until it reaches trip",
    }


def test_a_joint_that_cools_has_no_forecast():
    """It cools, at its rate."""
    assert _told(74.0, _trend(-2.0, 0.2)) == {
        "value": "cools",
        "detail": "",
        "label": "−2.0 ± 0.4 K/min",
    }


def test_why_there_is_no_forecast():
    """The load changed, the rise changes, or there is too little data: each in its words."""
    changed = RecentTrend(trend=None, why_not=NoTrend.LOAD_CHANGED, load_changed_ns=AT_NS)
    assert _told(74.0, changed)["value"] == "not known yet"
    assert _told(74.0, changed)["label"].startswith("the load changed at ")
    assert _told(74.0, RecentTrend(trend=None, why_not=NoTrend.BENT))["label"] == (
        "its rise is changing"
    )
    for nothing in (None, RecentTrend(trend=None, why_not=NoTrend.TOO_SHORT)):
        assert _told(74.0, nothing)["label"] == "the trend needs a minute of data"


def test_no_clear_rise_tells_what_it_leaves_open():
    """A limit that may be reached soon all the same is named with its soonest time."""
    assert _told(79.0, _trend(0.1, 0.5))["label"] == "trip in 50 s at the soonest"
    assert _told(40.0, _trend(0.1, 0.5))["label"] == "+0.1 ± 1.0 K/min"
    assert "soonest" not in _told(40.0, _trend(0.0, 0.1))["label"]


def test_beyond_its_trip_it_tells_since_when_that_is_so():
    """Not since the warning below it, which is older."""
    warning = replace(TRIP, severity="warning", pick_up=70.0, drop_off=67.0)
    alerts = [
        Alert(
            number=number, limit=severity, joint="a", severity=severity,
            channel=TRIP.channel, raised_ns=AT_NS + number * 60 * 10**9,
        )
        for number, severity in enumerate(("warning", "trip"))
    ]  # fmt: skip
    words, _ = forecast_text(81.0, [warning, TRIP], None, alerts, stale=False, zone=UTC)
    assert words["label"] == f"trip since {format_clock(AT_NS + 60 * 10**9, UTC)}"
    words, _ = forecast_text(81.0, [warning, TRIP], None, alerts[:1], stale=False, zone=UTC)
    assert words["label"] == "at or above its limit"


@pytest.mark.parametrize("stale", [True, False])
def test_of_a_temperature_that_nobody_reports_nothing_is_told(*, stale: bool):
    """It has not reached its limit."""
    assert _told(float("nan"), _trend(1.0, 0.1), stale=stale)["value"] == "unknown"
