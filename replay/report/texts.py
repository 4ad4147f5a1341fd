"""Instants, lengths and figures as a report writes them. Pure.

Instants are in UTC, which the report says once: who reads it may be in another zone.
"""

import math
import re
from datetime import UTC, datetime
from typing import Final

from logger.joint.channels import channel_named
from logger.joint.quantities import DISPLAYS

__all__ = [
    "channel_words",
    "clock_text",
    "counted",
    "day_text",
    "figure_text",
    "instant_text",
    "length_text",
    "list_text",
    "with_minus",
]

_MONTHS: Final = (
    *("Jan", "Feb", "Mar", "Apr", "May", "Jun"),
    *("Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
_MINUS: Final = "\u2212"
_HYPHEN_MINUS: Final = re.compile(r"(?<![\w.-])-(?=\d)")


def day_text(time_ns: int) -> str:
    """Return the day of an instant: 25 Nov 2026. A month has a name, so that no reader guesses."""
    at = _moment(time_ns)
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year}"


def clock_text(time_ns: int) -> str:
    """Return the time of day of an instant: 14:42:45."""
    return f"{_moment(time_ns):%H:%M:%S}"


def instant_text(time_ns: int) -> str:
    """Return day and time of an instant."""
    return f"{day_text(time_ns)}, {clock_text(time_ns)}"


def length_text(seconds: float) -> str:
    """Return a length of time: 0.4 s, 40 s, 14 min 20 s, 6 h 2 min."""
    if seconds < 9.95 and seconds != round(seconds):
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    if whole < 7200:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest and minutes < 60 else f"{minutes} min"
    hours, rest = divmod(round(whole / 60), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def counted(count: int, word: str, words: str = "") -> str:
    """Return so many of something: no gap, 1 gap, 12,345 gaps."""
    number = f"{count:,}" if count else "no"
    return f"{number} {word if count == 1 else words or f'{word}s'}"


def list_text(words: list[str]) -> str:
    """Return words as a list: a, b and c."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def with_minus(text: str) -> str:
    """Return a text with a minus sign before its negative numbers; hyphens and dates stay."""
    return _HYPHEN_MINUS.sub(_MINUS, text)


def figure_text(value: float, channel: str) -> str:
    """Return a value of a channel in the unit and with the decimals that pages show, no unit."""
    display = DISPLAYS[channel_named(channel).quantity]
    if not math.isfinite(value):
        return "–"
    shown = value * display.factor
    text = f"{abs(shown):.{display.decimals}f}"
    return _MINUS + text if shown < 0 and float(text) != 0.0 else text


def channel_words(channel: str) -> tuple[str, str]:
    """Return what a channel is called, with its quantity, and the unit that it is shown in."""
    of = channel_named(channel)
    quantity = of.of.label
    name = of.label if quantity in of.label or not of.place else f"{quantity}, {of.label}"
    return name, DISPLAYS[of.quantity].unit


def _moment(time_ns: int) -> datetime:
    return datetime.fromtimestamp(time_ns // 1_000_000_000, UTC)
