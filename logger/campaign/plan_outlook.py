"""How long a whole plan still takes, as far as that can be told. Pure."""

import math
from dataclasses import dataclass

from logger.arrays import to_s
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.stage_outlook import recent_cycle_s, stage_outlook
from logger.campaign.stage_progress import CampaignState

__all__ = ["PlanOutlook", "plan_outlook"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOutlook:
    """How long a plan still takes."""

    left_s: float
    """Of the stages whose end can be told."""
    open_stages: int
    """Stages of which nobody can tell how long they take: notes, temperatures, cycles while none
    was found yet."""


def plan_outlook(plan: PlanSettings, state: CampaignState, now_ns: int) -> PlanOutlook:
    """Return how long the present stage and those after it still take."""
    if state.is_done(plan):
        return PlanOutlook(left_s=0.0, open_stages=0)
    expected_ns = stage_outlook(plan, state, now_ns).expected_ns
    spans_s = [math.nan if expected_ns is None else max(to_s(expected_ns - now_ns), 0.0)]
    cycle_s = recent_cycle_s(state)
    for stage in plan.stage[state.stage + 1 :]:
        end = stage.end
        if end.duration_s is not None:
            spans_s.append(end.duration_s)
        else:
            spans_s.append(math.nan if end.cycles is None else end.cycles * cycle_s)
    known_s = [span for span in spans_s if not math.isnan(span)]
    return PlanOutlook(left_s=sum(known_s), open_stages=len(spans_s) - len(known_s))
