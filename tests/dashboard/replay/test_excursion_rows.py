"""Lines of excursions: thousands without a read of rows, what led up to some when it is asked."""

from dataclasses import replace

import pytest

from dashboard.figures.annotations import AlertSpan
from dashboard.figures.grouping import merge_alert_spans
from dashboard.replay.excursion_rows import (
    MAX_EXCURSION_DETAILS,
    MAX_EXCURSION_ROWS,
    excursion_details,
    excursion_rows,
)
from dashboard.text.units import DEFAULT_DISPLAYS
from logger.limits.lifecycle import Delivery
from replay.excursions.applied_limits import AppliedLimits, recorded_limits
from replay.recording import Recording

S = 1_000_000_000


def _many(recording: Recording, count: int) -> AppliedLimits:
    """Return a watch of the first alert of a recording, again and again."""
    watch = recorded_limits(recording)
    first = watch.alerts[0]
    return replace(
        watch,
        alerts=tuple(
            replace(
                first,
                number=place + 1,
                raised_ns=recording.start_ns + place * S // 10 + S,
                returned_ns=recording.start_ns + place * S // 10 + 2 * S,
                onset_ns=None,
            )
            for place in range(count)
        ),
    )


def test_each_detail_is_that_of_its_line(overheat: Recording):
    """In any pieces; no more than asked, none behind the end."""
    watch = recorded_limits(overheat)
    listed, count = excursion_rows(overheat, watch, DEFAULT_DISPLAYS)
    assert count == len(listed)
    pieces = [
        one
        for first in range(0, len(listed) + 4, 2)
        for one in excursion_details(overheat, watch, DEFAULT_DISPLAYS, first=first, count=2)
    ]
    assert [(one["at_s"], one["limit"], one["joint"]) for one in pieces] == [
        (one["at_s"], one["limit"], one["joint"]) for one in listed
    ]
    for line, told in zip(listed, pieces, strict=True):
        assert told["peak"]
        assert line["peak"] in {told["peak"], "", f"{told['peak']} when it was raised"}
        assert "RMS torque" in told["lead_up"]
    hot = next(one for one in pieces if one["limit"] == "housing-hot")
    assert 0 < hot["sparkline_level"] < 1
    assert excursion_details(overheat, watch, DEFAULT_DISPLAYS, first=-5, count=-1) == []


def test_thousands_are_listed_without_a_row(overheat: Recording, monkeypatch: pytest.MonkeyPatch):
    """Only what is asked for is read, and no more than a page can show."""
    watch = _many(overheat, MAX_EXCURSION_ROWS + 7)
    with monkeypatch.context() as patched:
        patched.setattr(Recording, "read_readings", None)
        patched.setattr(Recording, "pyramid_buckets", None)
        listed, count = excursion_rows(overheat, watch, DEFAULT_DISPLAYS)
    assert (len(listed), count) == (MAX_EXCURSION_ROWS, MAX_EXCURSION_ROWS + 7)
    assert (
        len(excursion_details(overheat, watch, DEFAULT_DISPLAYS, first=10, count=5000))
        == MAX_EXCURSION_DETAILS
    )


def _span(
    start_s: float, end_s: float | None, text: str = "warm", *, row: int = 0, count: int = 1
) -> AlertSpan:
    return AlertSpan(row=row, start_s=start_s, end_s=end_s, mark="abnormal", text=text, count=count)


def test_spans_nearer_than_a_pixel_are_one():
    """Of one row and mark; how many they are is said, and what is farther apart stays apart."""
    far, other, ongoing = _span(50.0, 51.0), _span(0.5, 2.5, row=1), _span(60.0, None)
    near = [_span(0.0, 1.0), _span(1.5, 2.0), _span(2.2, 9.0), _span(3.0, 4.0)]
    merged = merge_alert_spans([*near, far, other, ongoing], min_gap_s=1.0)
    assert merged == (_span(0.0, 9.0, "warm", count=4), other, far, ongoing)
    mixed = merge_alert_spans([_span(0.0, 1.0), _span(1.5, 2.0, "hot")], min_gap_s=1.0)
    assert mixed == (_span(0.0, 2.0, "", count=2),)
    assert merge_alert_spans([far, _span(51.5, 52.0)], min_gap_s=0.1) == (far, _span(51.5, 52.0))
    assert merge_alert_spans([], min_gap_s=1.0) == ()


def test_who_was_told_stands_beside_what_led_up(overheat: Recording):
    """In the time of the recording; nothing of those of which nobody was to be told."""
    watch = recorded_limits(overheat)
    hot = next(alert for alert in watch.alerts if alert.limit == "housing-hot")
    deliveries = (
        Delivery(target="desk", delivered_ns=overheat.start_ns + 905 * S),
        Delivery(
            target="lamp", delivered_ns=None, fault="lamp cannot be reached (x). Trying again."
        ),
    )
    told = replace(
        watch,
        alerts=tuple(
            replace(alert, deliveries=deliveries) if alert is hot else alert
            for alert in watch.alerts
        ),
    )
    details = excursion_details(overheat, told, DEFAULT_DISPLAYS, first=0, count=100)
    assert {one["limit"]: one["deliveries"] for one in details if one["deliveries"]} == {
        "housing-hot": "told desk 00:15:05; lamp cannot be reached (x). Trying again."
    }
