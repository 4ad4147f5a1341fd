"""How far a stage is, and when it is expected to end at this rate. Pure."""

import math
from dataclasses import dataclass
from typing import Final

from logger.arrays import to_ns, to_s
from logger.campaign.plan_settings import PlanSettings, StageEnd
from logger.campaign.stage_progress import (
    CampaignState,
    hottest,
    hourly_change_K,
    usual_cycle_s,
)

__all__ = ["StageOutlook", "recent_cycle_s", "stage_outlook"]

_LEAST_MINUTES: Final = 5
_MOST_MINUTES: Final = 20
"""Of which a temperature's approach to its surroundings is taken."""
_LONGEST_OUTLOOK_S: Final = 30.0 * 86_400
"""An end further away than this is not foretold from minutes of a temperature."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageOutlook:
    """The present stage, how far it is and when it is expected to end."""

    stage: str
    """"": the plan is done."""
    index: int
    cycles: int
    """So far, of all stages."""
    stage_cycles: int
    """In this stage."""
    share: float
    """0 to 1; NaN where it cannot be told."""
    expected_ns: int | None
    """None where nobody can tell: somebody's note, a temperature that does not fall."""
    hottest_degC: float  # noqa: N815


def stage_outlook(plan: PlanSettings, state: CampaignState, now_ns: int) -> StageOutlook:
    """Return how far the present stage is."""
    is_done = state.is_done(plan)
    share, expected_ns = (1.0, None) if is_done else _ahead(plan, state, now_ns)
    return StageOutlook(
        stage="" if is_done else plan.stage[state.stage].name,
        index=state.stage,
        cycles=state.cycles,
        stage_cycles=state.cycles - state.cycles_before,
        share=share,
        expected_ns=expected_ns,
        hottest_degC=state.hottest_degC,
    )


def _ahead(plan: PlanSettings, state: CampaignState, now_ns: int) -> tuple[float, int | None]:
    end = plan.stage[state.stage].end
    if end.duration_s is not None:
        until_ns = state.stage_ns + to_ns(end.duration_s)
        return _limited(to_s(now_ns - state.stage_ns) / end.duration_s), until_ns
    if end.cycles is not None:
        done = state.cycles - state.cycles_before
        rate_s = recent_cycle_s(state)
        left = end.cycles - done
        expected_ns = None if math.isnan(rate_s) else now_ns + to_ns(left * rate_s)
        return _limited(done / end.cycles), expected_ns
    if end.note is not None:
        return math.nan, None
    return _thermal(end, state, now_ns)


def recent_cycle_s(state: CampaignState) -> float:
    """Return the mean time between the newest cycles, stops included; NaN before two."""
    if len(state.recent_ns) < 2:
        return math.nan
    mean_s = to_s(state.recent_ns[-1] - state.recent_ns[0]) / (len(state.recent_ns) - 1)
    # A stop of a night among them says little of the rate after it.
    return min(mean_s, 2.0 * usual_cycle_s(state))


def _thermal(end: StageEnd, state: CampaignState, now_ns: int) -> tuple[float, int | None]:
    own = [one for one in state.minutes if one[0] >= state.stage_ns and one[1]]
    if not own:
        return math.nan, None
    if end.equilibrium_K_per_h is not None:
        change_K = hourly_change_K(state, now_ns)  # noqa: N806
        if math.isnan(change_K):
            return _limited(to_s(now_ns - state.stage_ns) / 7200.0) * 0.5, None
        return _limited(end.equilibrium_K_per_h / change_K if change_K else 1.0), None
    own = own[-_MOST_MINUTES:]
    (_, last, ambient), (_, first, _) = own[-1], own[0]
    now, before = hottest(last), hottest(first)
    if end.below_degC is not None:
        floor = ambient if ambient < end.below_degC else math.nan
        target, distance = end.below_degC, state.first_degC - end.below_degC
        share = 1.0 - (now - target) / distance if distance > 0.0 else math.nan
    else:
        floor, target = ambient, ambient + float(end.ambient_within_K or 0.0)
        distance = state.first_degC - target
        share = 1.0 - (now - target) / distance if distance > 0.0 else math.nan
    expected_ns = None
    span_s = to_s(own[-1][0] - own[0][0])
    if now <= target:
        since_ns = now_ns if state.within_ns is None else state.within_ns
        expected_ns = since_ns + to_ns(end.for_s or 0.0)
    elif span_s >= _LEAST_MINUTES * 60.0 and before > now:
        if math.isnan(floor):
            left_s = (now - target) / (before - now) * span_s
        else:
            # It approaches its surroundings exponentially (Newton's law of cooling).
            left_s = (
                span_s
                * math.log((now - floor) / (target - floor))
                / math.log((before - floor) / (now - floor))
            )
        if left_s < _LONGEST_OUTLOOK_S:
            expected_ns = now_ns + to_ns(left_s + (end.for_s or 0.0))
    return _limited(share), expected_ns


def _limited(share: float) -> float:
    return share if math.isnan(share) else min(max(share, 0.0), 1.0)
