"""Numbers of heat as text: no digit that an interval does not bear, none that it hides."""

import math

import pytest

from replay.heat.text import (
    band_text,
    column_time_unit,
    duration_band_text,
    duration_text,
    unit_text,
    values_in_unit,
)


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ((9.7123, 9.61, 9.83), "9.71 (9.61 to 9.83)"),
        ((9.7123, 9.1, 10.2), "9.7 (9.1 to 10.2)"),
        ((381.7, 373.1, 388.4), "382 (373 to 388)"),
        ((381.7, 300.0, 520.0), "382 (300 to 520)"),
        ((14.4949, 14.491, 14.498), "14.495 (14.491 to 14.498)"),
        ((1.551, 1.546, 1.556), "1.551 (1.546 to 1.556)"),
        ((14.4949, 14.49488, 14.49492), "14.5 (14.4 to 14.5)"),
        ((0.862, 0.861, 0.8631), "0.862 (0.861 to 0.863)"),
        ((0.12, 0.08, 0.18), "0.12 (0.08 to 0.18)"),
        ((5.0, 5.0, 5.0), "5.00 (5.00 to 5.00)"),
        ((0.0, 0.0, 2.0), "0 (0 to 2)"),
        ((-0.0423, -0.589, 0.504), "-0.04 (-0.59 to 0.50)"),
        ((0.0, -0.55, 0.55), "0.00 (-0.55 to 0.55)"),
        ((-0.0004, -3.1, 3.4), "0.0 (-3.1 to 3.4)"),
        ((math.inf, 3.0, math.inf), "inf (3 to inf)"),
    ],
)
def test_bands(values, text):
    """Two digits at least, three at most, more where an end would read as the value.

    A narrower interval is rounded outwards. A difference of almost nothing has the digits of its
    interval.
    """
    assert band_text(values) == text


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ((2085.0, 1990.0, 2180.0), "34.8 min (33.2 to 36.3)"),
        ((75.0, 70.0, 82.0), "75 s (70 to 82)"),
        ((110.0, 100.0, 150.0), "110 s (100 s to 2.5 min)"),
        ((600.0, 420.0, math.inf), "10.0 min (at least 7.0 min)"),
        ((math.inf, 5400.0, math.inf), "for ever (at least 90 min)"),
    ],
)
def test_duration_bands(values, text):
    """The ends have the value's unit unless they are far away."""
    assert duration_band_text(values) == text


def test_durations_and_units():
    """As a person says them."""
    seconds = (42.0, 560.0, 7300.0, 200_000.0, math.inf)
    assert [duration_text(one) for one in seconds] == [
        "42 s", "9.3 min", "2.0 h", "2.3 d", "for ever",
    ]  # fmt: skip
    assert unit_text("K/A2") == "K/A²"
    assert unit_text("K/(N.m)2") == "K/(N·m)²"


def test_durations_below_each_other_have_one_unit():
    """That of all, else minutes; what has no end is said, with the end that it has."""
    assert column_time_unit([14.0, 44.0, math.inf]).text == "s"
    assert column_time_unit([8000.0, 90_000.0]).text == "h"
    assert column_time_unit([]).text == "min"
    minutes = column_time_unit([14.0, 2000.0, 9000.0])
    assert minutes.text == "min"
    assert values_in_unit((14.7, 14.6, 14.8), minutes) == ("0.245", "0.243 to 0.247")
    assert values_in_unit((15_000.0, 12_000.0, math.inf), minutes) == ("250", "at least 200")
    assert values_in_unit((math.inf, 1980.0, math.inf), minutes) == ("for ever", "at least 33")
    assert values_in_unit((math.inf, math.inf, math.inf), minutes) == ("for ever", "")
