"""Limits and their changes in plain words, in the units that pages show.

For the terminal, the events and the pages, so that all three say the same. Each kind has its own
words (kind.py, phrases.py). Pure.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from logger.joint.quantities import DISPLAYS, Display
from logger.limits.kind import LimitKind
from logger.limits.limit_change import CoverageChange, LimitChange
from logger.limits.scored_limit import ScoredLimit

__all__ = [
    "change_sentence",
    "coverage_sentence",
    "describe_limit",
    "format_value",
    "limit_label",
]


def limit_label(limit: LimitKind, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Return a few words for a page: "housing at or above 70 °C", in the units of `displays`."""
    return limit.label(displays)


def describe_limit(limit: LimitKind, labels: Mapping[str, str] = MappingProxyType({})) -> str:
    """Return what a limit does; `labels`: joint -> what people call it.

    "warns when the housing of shoulder stays at or above 70 °C for 5 s; clears at or below 67".
    """
    joint: str | None = getattr(limit, "joint", None)
    if joint is not None and joint in labels:
        limit = limit.model_copy(update={"joint": labels[joint]})
    return limit.describe()


def change_sentence(change: LimitChange, limit: LimitKind, *, label: str = "") -> str:
    """Return what happened: "shoulder: housing at or above 70 °C for 5 s, now ...".

    `label`: what people call the joint; empty: its name.
    """
    return limit.sentence(replace(change, joint=label) if label else change)


def coverage_sentence(
    change: CoverageChange, limit: ScoredLimit, hold_ns: Mapping[str, int], *, label: str
) -> str:
    """Return that a limit is not judged on the joint of that label, or is again, and why.

    `hold_ns`: that of each channel.
    """
    return limit.coverage_sentence(replace(change, joint=label), hold_ns)


def format_value(limit: LimitKind, value: float, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Write a value of a limit's change in the unit that it has: "71 °C", "92.5 %", "8 K/min"."""
    return limit.format_value(value, displays)
