"""A reader's time zone is found by its name, and nothing else is opened for it."""

from datetime import UTC

import pytest

from dashboard.text.zone import reader_zone, zone_name


@pytest.mark.parametrize("name", ["Europe/Berlin", "Asia/Kathmandu", "America/Argentina/Ushuaia"])
def test_a_zone_is_found_by_its_name(name: str):
    """The name of the IANA database gives the zone, and comes back out."""
    assert zone_name(reader_zone(name)) == name


@pytest.mark.parametrize(
    "name",
    ["", "UTC", "Mars/Olympus", "Europe", "../../etc/passwd", "/etc/localtime", "a\0b", "x" * 500],
)
def test_what_is_no_zone_is_utc(name: str):
    """A name that the database has not, a folder of it, and a path out of it: times are in UTC."""
    zone = reader_zone(name)
    assert zone is UTC
    assert zone_name(zone) == "UTC"
