"""What is told of a cycle, and what the cycles of a joint are found by and made of. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from logger.campaign.cycle_figures import cycle_figure_names, figure_channels
from logger.campaign.cycle_rule import COURSE_CHANNELS, CycleRule
from logger.joint.thermal.thermal_model import Winding

__all__ = ["Cycle", "CycleKind", "CyclePlan", "plan_cycles"]


class CycleKind(StrEnum):
    """Whether a cycle ran through."""

    WHOLE = "whole"
    PAUSED = "paused"
    """It took half as long again as usual, or longer: a stop, a fault."""
    SHORT = "short"
    """It took less than 0.6 of the usual time: it was broken off, or moved by hand."""
    GAP = "gap"
    """More than a tenth of it was not recorded, or may not have been: beyond the holds of readings,
    in a break of the recording, or before its first reading, where it began in a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One cycle that has ended."""

    number: int
    """From 1."""
    start_ns: int
    end_ns: int
    kind: CycleKind
    figures: Mapping[str, float]
    """By name, as in `CyclePlan.figures`; NaN where one is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclePlan:
    """What cycles of a joint are found by, and what their figures are made of."""

    course: str | None
    """The channel that returns; None: cycles begin where somebody says."""
    hold_ns: Mapping[str, int]
    """Channel -> how long a value holds, of all that are looked at."""
    figures: tuple[str, ...]
    winding: Winding | None = None
    rule: CycleRule | None = None
    """Stated; None: learned."""


def plan_cycles(
    hold_ns: Mapping[str, int],
    *,
    course: str | None = None,
    rule: CycleRule | None = None,
    begins_by_note: bool = False,
    winding: Winding | None = None,
) -> CyclePlan | None:
    """Return how cycles of a joint are found; None where it reports nothing that could return.

    Parameters
    ----------
    hold_ns
        Every channel of the joint -> how long a value holds.
    course
        The channel to learn from; None: position, torque or current, the first that there is.
    """
    if rule is not None:
        course = rule.channel
    elif begins_by_note:
        course = None
    else:
        course = course or next((name for name in COURSE_CHANNELS if name in hold_ns), None)
        if course is None:
            return None
    used = {*figure_channels(list(hold_ns)), *([course] if course else [])}
    return CyclePlan(
        course=course,
        hold_ns={name: hold for name, hold in hold_ns.items() if name in used},
        figures=cycle_figure_names(list(hold_ns), has_winding=winding is not None),
        winding=winding,
        rule=rule,
    )
