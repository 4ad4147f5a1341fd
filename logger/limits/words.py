"""Limits and their changes in plain words, in the units that pages show.

For the terminal, the events and the pages, so that all three say the same. Pure.
"""

from collections.abc import Mapping
from typing import Final

from logger.joint.channels import CHANNELS, DISPLAYS, Display
from logger.limits.change import Change
from logger.limits.limit import Level, Limit, Silence

__all__ = ["in_words", "label", "sentence"]

_VERBS: Final = {"warning": "warns", "trip": "trips"}


def label(limit: Limit, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Return a few words for a page: "housing above 70 °C", in the units of `displays`."""
    if isinstance(limit, Silence):
        return f"silent for {_seconds(limit.after_s)}"
    return (
        f"{_what(limit)} {_beyond(limit)} {_shown(limit.channel, limit.pick_up, displays=displays)}"
    )


def in_words(limit: Limit) -> str:
    """Return what a limit does.

    "warns when the housing of shoulder stays above 70 °C for 5 s; clears below 67".
    """
    verb = _VERBS[limit.severity]
    if isinstance(limit, Silence):
        return (
            f"{verb} when {limit.joint or 'any joint'} says nothing for "
            f"{_seconds(limit.after_s)}; clears with its next frame"
        )
    what = f"the {_what(limit)} of {limit.joint or 'any joint'}"
    either = ", in either direction," if limit.magnitude else ""
    level = _shown(limit.channel, limit.pick_up)
    if limit.on_delay_s > 0:
        condition = f"stays {_beyond(limit)} {level} for {_seconds(limit.on_delay_s)}"
    else:
        condition = f"{'reaches' if limit.rising else 'falls to'} {level}"
    back = "below" if limit.rising else "above"
    clears = f"clears {back} {_shown(limit.channel, limit.clears_at, unit=False)}"
    if limit.off_delay_s > 0:
        clears += f" after {_seconds(limit.off_delay_s)}"
    latch = "; stays until acknowledged" if limit.severity == "trip" else ""
    return f"{verb} when {what}{either} {condition}; {clears}{latch}"


def sentence(change: Change, limit: Limit) -> str:
    """Return what happened: "shoulder: housing above 70 °C for 5 s, now 71 °C (housing-warm)"."""
    if isinstance(limit, Silence):
        if change.kind == "raised":
            return f"{change.joint}: silent for {_seconds(limit.after_s)} ({limit.name})"
        return f"{change.joint}: heard again after {_seconds(change.peak)} ({limit.name})"
    value = _shown(limit.channel, change.value)
    if change.kind == "raised":
        held = f" for {_seconds(limit.on_delay_s)}" if limit.on_delay_s > 0 else ""
        return f"{change.joint}: {label(limit)}{held}, now {value} ({limit.name})"
    extreme = "peak" if limit.rising else "lowest"
    peak = _shown(limit.channel, change.peak)
    back = "below" if limit.rising else "above"
    clear = f"{_what(limit)} back {back} {_shown(limit.channel, limit.clears_at)}"
    return f"{change.joint}: {clear}, now {value}, {extreme} {peak} ({limit.name})"


def _what(limit: Level) -> str:
    return CHANNELS[limit.channel].label


def _beyond(limit: Level) -> str:
    return "above" if limit.rising else "below"


def _shown(
    channel: str,
    value: float,
    *,
    unit: bool = True,
    displays: Mapping[str, Display] = DISPLAYS,
) -> str:
    """Write a value of a channel in its display unit, with one digit more than pages show."""
    display = displays[CHANNELS[channel].quantity]
    number = _number(value * display.factor, display.decimals + 1)
    return f"{number} {display.unit}" if unit and display.unit else number


def _seconds(span_s: float) -> str:
    """Write a span as a person would: 0.5 s, 90 s, 10 min, 24 h."""
    for worth, unit in ((3600.0, "h"), (60.0, "min")):
        if span_s >= 2 * worth and span_s % worth == 0:
            return f"{_number(span_s / worth, 0)} {unit}"
    return f"{_number(span_s, 3)} s"


def _number(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text.replace("-", "−")
