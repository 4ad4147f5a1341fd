"""The disk that is left, in words that do not flicker."""

import math

import pytest

from dashboard.live.disk_text import disk_left_text


@pytest.mark.parametrize(
    ("hours", "text"),
    [
        (5104.0, "more than 3 months"),
        (2373.0, "more than 3 months"),
        (1000.0, "5 weeks"),
        (335.0, "13 days"),
        (47.9, "47 h"),
        (1.5, "90 min"),
        (-1.0, "0 min"),
        (math.nan, "–"),
        (math.inf, "–"),
    ],
)
def test_it_is_rounded_down_to_what_is_planned_by(hours: float, text: str):
    """Months, weeks, days, hours, minutes; never more than there is."""
    assert disk_left_text(hours) == text
