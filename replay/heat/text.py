"""Numbers of heat as text: as many digits as an interval bears, durations as said. Pure."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "TimeUnit",
    "band_text",
    "band_values",
    "column_time_unit",
    "duration_band_text",
    "duration_text",
    "duration_values",
    "recordings_text",
    "unit_text",
    "values_in_unit",
]


@dataclass(frozen=True, slots=True)
class TimeUnit:
    """A unit that durations below each other are told in."""

    text: str
    size_s: float


def duration_text(duration_s: float) -> str:
    """Return a duration as a person says it: 42 s, 9.3 min, 2.1 h, for ever."""
    if math.isinf(duration_s):
        return "for ever"
    unit, size = _time_unit(duration_s)
    shown = duration_s / size
    return f"{shown:.0f} {unit}" if shown >= 20.0 or unit == "s" else f"{shown:.1f} {unit}"


def duration_values(values: tuple[float, float, float]) -> tuple[str, str]:
    """Return a duration with its unit, and its interval in that unit: 35 min, 33 to 38.

    An end that is far away has its own unit; without an upper end: at least 33 min.
    """
    value, low, high = values
    if math.isinf(high):
        return duration_text(value), f"at least {duration_text(low)}"
    unit, size = _time_unit(value)
    if any(_time_unit(one)[0] != unit for one in values):
        return duration_text(value), f"{duration_text(low)} to {duration_text(high)}"
    shown, interval = band_values((value / size, low / size, high / size))
    return f"{shown} {unit}", interval


def duration_band_text(values: tuple[float, float, float]) -> str:
    """Return a duration with its interval: 35 min (33 to 38)."""
    value, interval = duration_values(values)
    return f"{value} ({interval})"


def band_values(values: tuple[float, float, float]) -> tuple[str, str]:
    """Return a value and its interval with the digits that the interval bears: 9.7, 9.6 to 9.8.

    The last digit is the largest of which the interval spans at least four; there are two digits
    at least and three at most, up to five where an end would else read as the value. An interval
    that is narrower than these is rounded outwards. Where zero lies inside, the digits count from
    the half width: a difference of almost nothing has no more of them than a large one.
    """
    value, low, high = values
    size = max(abs(value), (high - low) / 2.0) if low < 0.0 < high else abs(value)
    if not math.isfinite(value) or size == 0.0 or not math.isfinite(high - low):
        return f"{value:.3g}", f"{low:.3g} to {high:.3g}"
    first = math.floor(math.log10(size))
    width = high - low
    last = math.floor(math.log10(width / 4.0)) if width > 0.0 else first - 2
    decimals = max(-min(max(last, first - 2), first - 1), 0)
    for more in (0, 1, 2):
        shown, least, most = (f"{one:z.{decimals + more}f}" for one in (value, low, high))
        if least != most and (shown not in {least, most} or not low < value < high):
            return shown, f"{least} to {most}"
    # Narrower than five digits: rounded outwards, for no more than three are told.
    shown = f"{value:.{decimals}f}"
    size = 10.0**decimals
    low, high = math.floor(low * size) / size, math.ceil(high * size) / size
    return shown, f"{low:.{decimals}f} to {high:.{decimals}f}"


def band_text(values: tuple[float, float, float]) -> str:
    """Return a value with its interval: 9.7 (9.6 to 9.8)."""
    value, interval = band_values(values)
    return f"{value} ({interval})"


def unit_text(ucum: str) -> str:
    """Return a unit as it is read."""
    return (
        ucum.replace(".", "·")
        .replace("A2", "A²")
        .replace(")2", ")²")
        .replace("s2", "s²")
        .replace("rad2", "rad²")
        .replace("Cel", "°C")
    )


def recordings_text(count: int) -> str:
    """Return how many recordings something is from."""
    return "1 recording" if count == 1 else f"{count} recordings"


def column_time_unit(durations_s: Iterable[float]) -> TimeUnit:
    """Return the one unit of durations below each other: minutes, unless all are of another."""
    units = {_time_unit(one) for one in durations_s if math.isfinite(one)}
    return TimeUnit(*units.pop()) if len(units) == 1 else TimeUnit("min", 60.0)


def values_in_unit(values_s: tuple[float, float, float], unit: TimeUnit) -> tuple[str, str]:
    """Return a duration and its interval as numbers of one unit: 35, 33 to 38.

    Without an end: "for ever"; without an upper end: "at least 33", and no interval for neither.
    """
    value, low, high = (one / unit.size_s for one in values_s)
    if math.isinf(low):
        return "for ever", ""
    if math.isinf(high):
        shown = "for ever" if math.isinf(value) else _three_digits(value)
        return shown, f"at least {_three_digits(low)}"
    return band_values((value, low, high))


def _three_digits(value: float) -> str:
    """Return a number of three digits, all of those before the point."""
    return f"{value:.0f}" if value >= 100.0 else f"{value:.3g}"


def _time_unit(duration_s: float) -> tuple[str, float]:
    for limit, unit, size in ((120.0, "s", 1.0), (7200.0, "min", 60.0), (172_800.0, "h", 3600.0)):
        if duration_s < limit:
            return unit, size
    return "d", 86_400.0
