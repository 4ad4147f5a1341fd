"""What is told of a campaign while it is recorded, in sentences. Pure."""

import math
from typing import Final

from logger.campaign.plan_settings import PlanSettings
from logger.campaign.plan_words import end_words
from logger.campaign.stage_progress import StageChange
from logger.event_kind import EventKind

__all__ = ["change_words", "span_words"]

_SPAN_UNITS: Final = ((86_400.0, "d"), (3600.0, "h"), (60.0, "min"))


def change_words(change: StageChange, plan: PlanSettings, label: str) -> str:
    """Return the sentence of what happened; `label`: what people call the joint."""
    if change.kind == EventKind.STAGE_BEGUN:
        stage = next(one for one in plan.stage if one.name == change.stage)
        return f"{label}: stage {change.stage!r} begins; it {end_words(stage.end)}."
    if change.kind == EventKind.STAGE_ENDED:
        took = span_words(change.duration_s)
        return f"{label}: stage {change.stage!r} has ended after {took}, {_cycles(change.cycles)}."
    if change.kind == EventKind.PLAN_DONE:
        return f"{label}: all stages of {plan.name!r} have ended, {_cycles(change.cycles)}."
    if change.kind == EventKind.CYCLES_MISSING:
        since = span_words(change.duration_s)
        return f"{label}: no cycle for {since} in stage {change.stage!r}, {_so_far(change)}."
    if change.kind == EventKind.CYCLES_AGAIN:
        return f"{label}: cycles again after {span_words(change.duration_s)}, {_so_far(change)}."
    hottest = "" if math.isnan(change.hottest_degC) else f", hottest {change.hottest_degC:.0f} degC"
    # No full stop: a message goes on with what changed.
    return f"{label}: day {change.day}, cycle {change.cycles:,}{hottest}"


def span_words(seconds: float) -> str:
    """Return a span of time with three digits."""
    for size_s, unit in _SPAN_UNITS:
        if seconds >= size_s:
            return f"{seconds / size_s:.3g} {unit}"
    return f"{seconds:.3g} s"


def _cycles(count: int) -> str:
    return f"{count:,} cycle{'' if count == 1 else 's'}"


def _so_far(change: StageChange) -> str:
    return f"{_cycles(change.cycles)} so far"
