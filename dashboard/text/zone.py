"""The reader's time zone, from the name that the browser sends.

A name and not an offset to UTC, since that changes with daylight saving time: a recording may be
from the other half of the year.
"""

import zoneinfo
from datetime import UTC, tzinfo
from typing import Final

__all__ = ["UTC_NAME", "reader_zone", "zone_name"]

UTC_NAME: Final = "UTC"
NAME_MAX: Final = 64
"""The longest name of the IANA time zone database has 32 characters."""


def reader_zone(name: str) -> tzinfo:
    """Return a time zone by its IANA name; UTC if there is none of that name.

    A reply with times also has the `zone_name` of this zone, so that the browser draws its axis in
    the same one, and the page can say that it is UTC.

    Parameters
    ----------
    name
        Such as "Europe/Berlin", as `Intl.DateTimeFormat().resolvedOptions().timeZone` gives it.
    """
    if name in {"", UTC_NAME} or len(name) > NAME_MAX:
        return UTC
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        # ValueError: a path that leads out of the database. OSError: one of its folders.
        return UTC


def zone_name(zone: tzinfo) -> str:
    """Return the IANA name of a zone; UTC for what has none."""
    return zone.key if isinstance(zone, zoneinfo.ZoneInfo) else UTC_NAME
