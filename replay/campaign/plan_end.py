"""When a whole plan ends if it goes on like this, by the pauses that it had so far. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.arrays import to_ns, to_s
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.stage_progress import DAY_NS
from logger.findings.uncertainty import student_factor
from logger.store.layout.manifest import iso_utc
from replay.campaign.campaign_cycles import RunningHours
from replay.campaign.campaign_days import StageSpan

__all__ = ["PlanEnd", "plan_end"]

LEAST_WHOLE_DAYS: Final = 3
"""Of which it is known how a day differs from another."""
_MOST_DAYS: Final = 36_500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanEnd:
    """When the stages end whose end can be told."""

    expected_ns: int
    low_ns: int
    """Of the 95 % interval; never before it would be done without any pause."""
    high_ns: int
    open_stages: tuple[str, ...]
    """Stages of which nobody can tell how long they take: they come on top."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "expected": iso_utc(self.expected_ns),
            "low": iso_utc(self.low_ns),
            "high": iso_utc(self.high_ns),
            "open_stages": list(self.open_stages),
        }


def plan_end(
    plan: PlanSettings | None,
    stages: Sequence[StageSpan],
    running: RunningHours,
    *,
    cycle_s: float,
    span_ns: tuple[int, int],
) -> PlanEnd | None:
    """Return when a plan ends; None where that cannot be told.

    Days are taken to be alike but for chance, each as long at work as those so far: what is left
    takes the mean, and a random sum of days about it.

    Parameters
    ----------
    cycle_s
        What a cycle usually takes.
    span_ns
        Begin and end of what was recorded.
    """
    present = next((one for one in reversed(stages) if one.end_ns is None), None)
    if plan is None or present is None:
        return None
    begin_ns, end_ns = span_ns
    edges_ns = np.arange(begin_ns, end_ns + 1, DAY_NS)
    daily_h = np.diff(running.at(edges_ns))
    if len(daily_h) < LEAST_WHOLE_DAYS or not daily_h.mean() > 0.0:
        return None
    work_h, waits_s, open_stages = 0.0, 0.0, []
    for index, stage in enumerate(plan.stage[present.index :]):
        end, is_present = stage.end, index == 0
        if end.cycles is not None and not math.isnan(cycle_s):
            done = present.cycles if is_present else 0
            work_h += max(end.cycles - done, 0) * cycle_s / 3600.0
        elif end.duration_s is not None:
            passed_s = to_s(end_ns - present.start_ns) if is_present else 0.0
            waits_s += max(end.duration_s - passed_s, 0.0)
        else:
            open_stages.append(stage.name)
    if len(open_stages) == len(plan.stage) - present.index:
        return None
    mean_h, spread_h = float(daily_h.mean()), float(daily_h.std(ddof=1))
    days = work_h / mean_h
    if days > _MOST_DAYS:
        return None
    # The sum of that many days to come, and the mean day; how days differ is known from few.
    relative = spread_h / mean_h
    reach = student_factor(len(daily_h) - 1) * relative * math.sqrt(days + days**2 / len(daily_h))
    low_days = max(days - reach, min(days, work_h / 24.0))

    def instant(of_days: float) -> int:
        return end_ns + to_ns(of_days * 86_400.0 + waits_s)

    return PlanEnd(
        expected_ns=instant(days),
        low_ns=instant(low_days),
        high_ns=instant(days + reach),
        open_stages=tuple(open_stages),
    )
