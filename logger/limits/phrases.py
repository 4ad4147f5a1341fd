"""What limits say of themselves, and numbers in the units that pages show. Pure text.

A kind gives its `Phrases`; kind.py puts them into sentences, so that all kinds are worded alike.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from logger.joint.channels import channel_named
from logger.joint.quantities import DISPLAYS, Display

__all__ = [
    "Phrases",
    "clear_amount",
    "clear_side",
    "format_channel_value",
    "format_number",
    "format_share_or_value",
    "format_slope",
    "format_span",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrases:
    """The parts of the sentences of a limit with delays."""

    label: str
    """ "housing at or above 70 °C"."""
    subject: str
    """ "the housing of shoulder"."""
    reaches: str
    """With no delay: "reaches 70 °C"."""
    stays: str
    """Before a delay: "stays at or above 70 °C"."""
    clears: str
    """ "at or below 67": follows "clears"."""
    back: str
    """ "housing back at or below 67 °C"."""
    extreme: str = "peak"


def clear_side(side: str, *, at_pick_up: bool) -> str:
    """Return where a limit clears: "at or below", or "below" where it would be raised again at it.

    `side`: "below" or "above".
    """
    return side if at_pick_up else f"at or {side}"


def clear_amount(level: str, *, at_pick_up: bool) -> str:
    """Return how little clears a limit on an amount: "5 K/min or less", or "less than 5 K/min"."""
    return f"less than {level}" if at_pick_up else f"{level} or less"


def format_channel_value(
    channel: str,
    value: float,
    *,
    unit: bool = True,
    setting: bool = True,
    displays: Mapping[str, Display] = DISPLAYS,
) -> str:
    """Write a value of a channel in its display unit, with one digit more than pages show."""
    display = displays[channel_named(channel).quantity]
    number = format_number(value * display.factor, display.decimals + 1, setting=setting)
    return f"{number} {display.unit}" if unit and display.unit else number


def format_slope(
    channel: str, value: float, displays: Mapping[str, Display], *, setting: bool = True
) -> str:
    """Write a change of a channel a minute."""
    display = displays[channel_named(channel).quantity]
    # A difference of temperatures is given in kelvins, unless a page shows other degrees.
    unit = "K" if display.unit == "°C" else display.unit
    number = value * display.factor
    return f"{format_number(number, display.decimals + 1, setting=setting)} {unit}/min"


def format_share_or_value(
    channel: str,
    value: float | None,
    share: float | None,
    multiple: float,
    displays: Mapping[str, Display],
) -> str:
    """Write a multiple of a setting: in the channel's unit, or as a share of the rated value."""
    if value is not None:
        return format_channel_value(channel, value * multiple, displays=displays)
    assert share is not None, "the models have one of the two"
    return f"{format_number(share * multiple * 100, 2)} % of rated"


def format_span(span_s: float) -> str:
    """Write a span as a person would: 0.5 s, 90 s, 10 min, 24 h."""
    for seconds, unit in ((3600.0, "h"), (60.0, "min")):
        if span_s >= 2 * seconds and span_s % seconds == 0:
            return f"{format_number(span_s / seconds, 0)} {unit}"
    return f"{format_number(span_s, 3, setting=True)} s"


def format_number(value: float, decimals: int, *, setting: bool = False) -> str:
    """Write a number; of a `setting` at least two digits that say something: never 0 for 0.0005."""
    if setting and 0 < abs(value) < 1:
        decimals = max(decimals, 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text.replace("-", "−")
