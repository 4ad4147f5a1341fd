"""How the pages write numbers, durations and times.

The browser writes some of the same texts itself (axis ticks, a dragged span), in
`assets/format.mjs`. Both sides are held to `tests/dashboard/text/format_cases.json`: a function
here has its twin there under its camelCase name (`format_number`, `formatNumber`). Pure.

An instant is whole nanoseconds since 1970-01-01T00:00Z here and milliseconds there, since a
JavaScript number cannot hold the nanoseconds. A time of day belongs to a zone *at that instant*:
14:00 on a July day in Berlin stays 14:00 when it is read in November.
"""

import math
from datetime import UTC, datetime, tzinfo
from typing import Final

__all__ = [
    "format_clock",
    "format_date",
    "format_date_time",
    "format_duration",
    "format_elapsed",
    "format_flag",
    "format_number",
    "format_reading",
    "format_short_date",
    "format_short_date_time",
    "format_thousands",
]

NO_VALUE: Final = "–"
"""U+2013, where a number is missing."""
MINUS: Final = "−"
"""U+2212: as wide as a digit, and read as "minus" by screen readers."""
THIN_SPACE: Final = "\u202f"
"""Narrow no-break space, between thousands."""
MONTHS: Final = (
    *("Jan", "Feb", "Mar", "Apr", "May", "Jun"),
    *("Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
"""Own names, because `strftime` follows the server's locale and `Intl` writes "Sept"."""


def format_number(value: float, decimals: int = 1) -> str:
    """Return a number with that many decimals.

    Parameters
    ----------
    value
        Any number; one that is not finite is written as a dash.
    decimals
        Digits after the point. An exact tie goes to the even digit (0.25 -> 0.2), as in every
        sentence that a recording holds; JavaScript's `toFixed` rounds ties up and needs care.

    Returns
    -------
    str
        U+2212 for minus, and no minus before a zero: "−3.0", "0.0", "–".
    """
    if not math.isfinite(value):
        return NO_VALUE
    text = f"{abs(value):.{decimals}f}"
    return MINUS + text if value < 0 and float(text) != 0.0 else text


def format_thousands(value: float) -> str:
    """Return a whole number with a narrow no-break space between thousands: "12 345"."""
    if not math.isfinite(value):
        return NO_VALUE
    text = f"{abs(value):,.0f}".replace(",", THIN_SPACE)
    return MINUS + text if value < 0 and text != "0" else text


def format_reading(value: float) -> str:
    """Return a temperature: "65", "65.5". One in whole units gets no decimal: none was measured."""
    return format_number(value, 0 if math.isfinite(value) and value == round(value) else 1)


def format_duration(seconds: float) -> str:
    """Return a duration in words.

    Parameters
    ----------
    seconds
        Any number. Below 0.1 s it is written in milliseconds; below 10 s with one decimal, unless
        it is whole (to a microsecond); from 2 min on in minutes, from 2 h on in hours. Seconds
        are left out from an hour on.

    Returns
    -------
    str
        "40 ms", "0.6 s", "5 s", "40 s", "14 min 20 s", "3 h 12 min"; "unknown" if not finite.
    """
    if not math.isfinite(seconds):
        return "unknown"
    if seconds < 0:
        text = format_duration(-seconds)
        return text if text == "0 s" else MINUS + text
    whole = round(seconds)
    is_whole = abs(seconds - whole) < 1e-6
    if seconds < 0.0995 and not is_whole:
        milliseconds = seconds * 1000
        return f"{format_number(milliseconds, 0 if milliseconds >= 9.95 else 1)} ms"
    if seconds < 9.95 and not is_whole:
        return f"{format_number(seconds, 1)} s"
    if whole < 120:
        return f"{whole} s"
    if whole < 7200:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest and minutes < 60 else f"{minutes} min"
    hours, rest = divmod(round(whole / 60), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def format_elapsed(seconds: float, decimals: int = 0) -> str:
    """Return a time since the start as a running clock shows it.

    Parameters
    ----------
    seconds
        Any number; one that is not finite is written as a dash.
    decimals
        0 to 3 digits after the seconds.

    Returns
    -------
    str
        "03:12:45", with a decimal "03:12:45.0". Rounded down like a clock (59.7 s is 00:00:59, as
        `format_clock` does), with a tolerance of a millionth of the last digit.
    """
    if not math.isfinite(seconds):
        return NO_VALUE
    scale = 10**decimals
    units = math.floor(abs(seconds) * scale + 1e-6)
    whole, fraction = divmod(units, scale)
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    if decimals:
        text += f".{fraction:0{decimals}d}"
    return MINUS + text if seconds < 0 and units else text


def format_flag(count: float, share: float, *, is_least: bool = False) -> str:
    """Return how often a flag came on, and for what share of the time it was on.

    Parameters
    ----------
    count
        How often it came on.
    share
        0 to 1; NaN where that is not known.
    is_least
        Whether it came on more often than is known.

    Returns
    -------
    str
        "6 640 times, 31 % of the time"; "at least 20 times"; "once" where only that is known;
        "not on". Less than all of the time is never written as 100 %, and more than none never as
        0 %.
    """
    times_text = "" if count < 1 else "once" if count == 1 else f"{format_thousands(count)} times"
    times_text = f"at least {times_text}" if times_text and is_least else times_text
    if not math.isfinite(share) or (share <= 0 and not times_text):
        return times_text or "not on"
    if share >= 1:
        share_text = "all the time"
    elif share < 0.001:
        share_text = "under 0.1 % of the time"
    else:
        is_coarse = 0.0995 <= share < 0.99
        percent = format_number(min(100 * share, 99.9), 0 if is_coarse else 1)
        share_text = f"{percent} % of the time"
    return f"{times_text}, {share_text}" if times_text else share_text


def format_clock(time_ns: int, zone: tzinfo) -> str:
    """Return the time of day of an instant: "14:42:45"."""
    return f"{_local_time(time_ns, zone):%H:%M:%S}"


def format_date(time_ns: int, zone: tzinfo) -> str:
    """Return the day of an instant: "25 Nov 2026"."""
    return f"{format_short_date(time_ns, zone)} {_local_time(time_ns, zone).year}"


def format_date_time(time_ns: int, zone: tzinfo) -> str:
    """Return day and time of an instant: "25 Nov 2026, 14:42:45"."""
    return f"{format_date(time_ns, zone)}, {format_clock(time_ns, zone)}"


def format_short_date(time_ns: int, zone: tzinfo) -> str:
    """Return the day of an instant without its year: "25 Nov"."""
    local = _local_time(time_ns, zone)
    return f"{local.day} {MONTHS[local.month - 1]}"


def format_short_date_time(time_ns: int, zone: tzinfo) -> str:
    """Return when a recording began, as lists show it: "25 Nov 14:42"."""
    return f"{format_short_date(time_ns, zone)} {_local_time(time_ns, zone):%H:%M}"


def _local_time(time_ns: int, zone: tzinfo) -> datetime:
    # Whole seconds by integers: a float of 1e18 ns would round 59.9999999 s up to the next minute.
    return datetime.fromtimestamp(time_ns // 1_000_000_000, UTC).astimezone(zone)
