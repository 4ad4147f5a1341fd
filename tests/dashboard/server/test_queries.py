"""The parameters of addresses: what they mean, and what becomes of nonsense."""

import math
from zoneinfo import ZoneInfo

import pytest

from dashboard.server.queries import FigureQuery, UnitsQuery, ZoneQuery, finite_or
from dashboard.text.theme import DARK, LIGHT


def test_a_zone_is_a_name():
    """The name gives the zone; none and an unknown one are UTC, since a page has to show a time."""
    assert ZoneQuery(zone="Europe/Berlin").time_zone == ZoneInfo("Europe/Berlin")
    for name in ("", "Europe/Nowhere", "../etc"):
        assert str(ZoneQuery(zone=name).time_zone) == "UTC"


@pytest.mark.parametrize("size", [math.nan, math.inf, -math.inf, -4.0, 0.0, 1e300])
def test_a_figure_has_a_size(size: float):
    """Whatever is asked for, a sheet is a positive number of pixels."""
    sheet = FigureQuery(width=size, height=size, form="round", theme="none").sheet
    assert 0 < sheet.plot_width < 10_000
    assert 0 < sheet.plot_height < 10_000


def test_themes_and_units_by_name():
    """Unknown names are the light theme and plain units."""
    assert FigureQuery(theme="dark").colours is DARK
    assert FigureQuery(theme="red").colours is LIGHT
    assert UnitsQuery(position="rad", speed="rpm").displays["speed"].unit == "rpm"
    assert UnitsQuery(position="turn", speed="knots").displays["speed"].unit == "°/s"


def test_a_number_that_is_none():
    """Infinities and NaN give way to what stands in for them."""
    assert [finite_or(value, 9.0) for value in (1.5, math.nan, math.inf)] == [1.5, 9.0, 9.0]
