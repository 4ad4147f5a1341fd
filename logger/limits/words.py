"""Limits and their changes in plain words, in the units that pages show.

For the terminal, the events and the pages, so that all three say the same. Each kind has its own
words (kind.py, phrases.py). Pure.
"""

from collections.abc import Mapping

from logger.joint.quantities import DISPLAYS, Display
from logger.limits.kind import LimitKind
from logger.limits.limit_change import LimitChange

__all__ = ["change_sentence", "describe_limit", "format_value", "limit_label"]


def limit_label(limit: LimitKind, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Return a few words for a page: "housing at or above 70 °C", in the units of `displays`."""
    return limit.label(displays)


def describe_limit(limit: LimitKind) -> str:
    """Return what a limit does.

    "warns when the housing of shoulder stays at or above 70 °C for 5 s; clears at or below 67".
    """
    return limit.describe()


def change_sentence(change: LimitChange, limit: LimitKind) -> str:
    """Return what happened: "shoulder: housing at or above 70 °C for 5 s, now ..."."""
    return limit.sentence(change)


def format_value(limit: LimitKind, value: float, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Write a value of a limit's change in the unit that it has: "71 °C", "92.5 %", "8 K/min"."""
    return limit.format_value(value, displays)
