"""Which stage of a plan a joint is in, what ends it, and what is told of it: state in, state out.

Advanced at whole steps of the recording's time, with what was known by then, so that the same
readings in any chunking give the same stages. Time without a recorder counts as time: a stage of a
stated duration goes on through it; a condition that has to hold for a time begins anew.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.arrays import to_ns, to_s
from logger.campaign.plan_settings import PlanSettings, StageEnd, StageSettings
from logger.event_kind import EventKind

__all__ = ["DAY_NS", "NO_CYCLE_S", "STEP_NS", "CampaignState", "Seen", "StageChange", "advance"]

STEP_NS: Final = 5_000_000_000
"""How often a stage is looked at."""
MINUTE_NS: Final = 60_000_000_000
HOUR_MINUTES: Final = 60
DAY_NS: Final = 86_400_000_000_000
NO_CYCLE_S: Final = 300.0
"""Without a cycle for so long somebody is told; for three of them where a cycle takes longer."""
_NO_CYCLE_YET_S: Final = 1800.0
"""The same where none was ever found: the first are known only after several."""
_RECENT: Final = 64
"""Cycles by whose rate the end of a stage is expected."""
_AVERAGED: Final = 5
"""Minutes at either end of an hour that are averaged: sensors tell whole degrees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What is known at the end of a step, and was not before."""

    cycle_ends_ns: tuple[int, ...] = ()
    notes: tuple[tuple[int, str], ...] = ()
    """(time, text)."""
    temperatures_degC: Mapping[str, float] = field(default_factory=dict)  # noqa: N815
    """Channel -> what the joint reports at the end of the step; what is too old is not in it."""
    ambient_degC: float = math.nan  # noqa: N815


@dataclass(frozen=True, slots=True, kw_only=True)
class StageChange:
    """Something to tell: a stage began or ended, cycles failed to come, a day is over."""

    kind: EventKind
    time_ns: int
    stage: str = ""
    cycles: int = 0
    """So far; of a stage that ended, in it."""
    duration_s: float = math.nan
    """How long the stage took, or since when no cycle came."""
    day: int = 0
    hottest_degC: float = math.nan  # noqa: N815
    """Of the day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignState:
    """What is remembered from step to step."""

    began_ns: int
    stage: int = 0
    """Index of the present stage; as many as there are: the plan is done."""
    stage_ns: int = 0
    """When it began; 0: not yet."""
    cycles_before: int = 0
    """Cycles before it began."""
    cycles: int = 0
    recent_ns: tuple[int, ...] = ()
    """Ends of the newest cycles."""
    missing_since_ns: int | None = None
    """Since when no cycle came, where that was told."""
    within_ns: int | None = None
    """Since when the condition of the stage has held."""
    minutes: tuple[tuple[int, Mapping[str, float], float], ...] = ()
    """(time, temperatures, ambient) once a minute, of the last hour."""
    first_degC: float = math.nan  # noqa: N815
    """Hottest temperature when the stage began."""
    day: int = 1
    day_hottest_degC: float = math.nan  # noqa: N815

    @property
    def hottest_degC(self) -> float:  # noqa: N802
        """The hottest temperature of the newest minute; NaN where there is none."""
        return hottest(self.minutes[-1][1]) if self.minutes else math.nan

    def is_done(self, plan: PlanSettings) -> bool:
        """Whether all stages have ended."""
        return self.stage >= len(plan.stage)


def hottest(temperatures: Mapping[str, float]) -> float:
    """Return the highest of some temperatures; NaN for none."""
    return max(temperatures.values(), default=math.nan)


def advance(
    plan: PlanSettings, state: CampaignState, mark_ns: int, seen: Seen
) -> tuple[tuple[StageChange, ...], CampaignState]:
    """Return what happened until a mark, and what is remembered.

    Parameters
    ----------
    mark_ns
        End of the step; later than the one before.
    """
    changes: list[StageChange] = []
    if not state.stage_ns:
        changes.append(_begun(plan, state, state.began_ns))
        state = replace(state, stage_ns=state.began_ns)
    state = _with_minute(state, mark_ns, seen)
    state = replace(
        state,
        cycles=state.cycles + len(seen.cycle_ends_ns),
        recent_ns=(*state.recent_ns, *seen.cycle_ends_ns)[-_RECENT:],
    )
    ends = sorted(seen.cycle_ends_ns)
    # Known late, because the first cycles are found together: they ended before the stage began.
    early = sum(one <= state.stage_ns for one in ends)
    state = replace(state, cycles_before=state.cycles_before + early)
    while not state.is_done(plan):
        stage = plan.stage[state.stage]
        ended_ns, state = _ended_ns(stage.end, state, mark_ns, seen, ends)
        if ended_ns is None:
            break
        later = [one for one in ends if one > ended_ns]
        done = state.cycles - len(later) - state.cycles_before
        changes.append(
            StageChange(
                kind=EventKind.STAGE_ENDED,
                time_ns=ended_ns,
                stage=stage.name,
                cycles=done,
                duration_s=to_s(ended_ns - state.stage_ns),
            )
        )
        state = replace(
            state,
            stage=state.stage + 1,
            stage_ns=ended_ns,
            cycles_before=state.cycles_before + done,
            within_ns=None,
            first_degC=hottest(seen.temperatures_degC),
        )
        if state.is_done(plan):
            changes.append(
                StageChange(kind=EventKind.PLAN_DONE, time_ns=ended_ns, cycles=state.cycles)
            )
        else:
            changes.append(_begun(plan, state, ended_ns))
    missing, state = _cycles_missing(plan, state, mark_ns, ends)
    changes += missing
    days, state = _days_over(state, mark_ns)
    return (*changes, *days), state


def _begun(plan: PlanSettings, state: CampaignState, time_ns: int) -> StageChange:
    return StageChange(
        kind=EventKind.STAGE_BEGUN,
        time_ns=time_ns,
        stage=plan.stage[state.stage].name,
        cycles=state.cycles_before,
    )


def _with_minute(state: CampaignState, mark_ns: int, seen: Seen) -> CampaignState:
    now_degC = hottest(seen.temperatures_degC)  # noqa: N806
    if not math.isnan(now_degC):
        state = replace(
            state,
            day_hottest_degC=float(np.fmax(state.day_hottest_degC, now_degC)),
            first_degC=now_degC if math.isnan(state.first_degC) else state.first_degC,
        )
    if state.minutes and mark_ns // MINUTE_NS == state.minutes[-1][0] // MINUTE_NS:
        return state
    own = (mark_ns, dict(seen.temperatures_degC), seen.ambient_degC)
    # An hour and the minutes that are averaged at its beginning.
    kept = [one for one in state.minutes if mark_ns - one[0] <= (HOUR_MINUTES + 1) * MINUTE_NS]
    return replace(state, minutes=(*kept, own))


def _ended_ns(
    end: StageEnd, state: CampaignState, mark_ns: int, seen: Seen, ends: list[int]
) -> tuple[int | None, CampaignState]:
    """Return when the present stage ended, None where it has not, and what is remembered."""
    if end.duration_s is not None:
        until_ns = state.stage_ns + to_ns(end.duration_s)
        return (until_ns if until_ns <= mark_ns else None), state
    if end.cycles is not None:
        # Those of this step that belong to it come after those that were counted before.
        own = [one for one in ends if one > state.stage_ns]
        missing = end.cycles - (state.cycles - len(own) - state.cycles_before)
        return (own[missing - 1] if 0 < missing <= len(own) else None), state
    if end.note is not None:
        noted = [at for at, text in seen.notes if text == end.note and at >= state.stage_ns]
        return (min(noted) if noted else None), state
    if not _holds(end, state, mark_ns, seen):
        return None, replace(state, within_ns=None)
    since_ns = mark_ns if state.within_ns is None else state.within_ns
    is_over = to_s(mark_ns - since_ns) >= (end.for_s or 0.0)
    return (mark_ns if is_over else None), replace(state, within_ns=since_ns)


def _holds(end: StageEnd, state: CampaignState, mark_ns: int, seen: Seen) -> bool:
    now_degC = hottest(seen.temperatures_degC)  # noqa: N806
    if end.below_degC is not None:
        return now_degC < end.below_degC
    if end.ambient_within_K is not None:
        return abs(now_degC - seen.ambient_degC) <= end.ambient_within_K
    change_K = hourly_change_K(state, mark_ns)  # noqa: N806
    return end.equilibrium_K_per_h is not None and change_K <= end.equilibrium_K_per_h


def hourly_change_K(state: CampaignState, mark_ns: int) -> float:  # noqa: N802
    """Return by how much a temperature of the joint changed within the last hour of the stage.

    The largest change, in K, between the means of five minutes; NaN before an hour of readings.
    """
    begin_ns = mark_ns - HOUR_MINUTES * MINUTE_NS
    own = [one for one in state.minutes if one[0] >= max(begin_ns, state.stage_ns)]
    if len(own) < HOUR_MINUTES or not own[-1][1]:
        return math.nan
    first, last = own[:_AVERAGED], own[-_AVERAGED:]
    changes = []
    for channel in own[-1][1]:
        before = [one[1][channel] for one in first if channel in one[1]]
        after = [one[1][channel] for one in last if channel in one[1]]
        if not before or not after:
            return math.nan
        changes.append(abs(float(np.mean(after)) - float(np.mean(before))))
    return max(changes)


def usual_cycle_s(state: CampaignState) -> float:
    """Return the median time between the newest cycles; NaN before two."""
    return (
        float(np.median(np.diff(state.recent_ns))) / 1e9 if len(state.recent_ns) > 1 else math.nan
    )


def _cycles_missing(
    plan: PlanSettings, state: CampaignState, mark_ns: int, ends: list[int]
) -> tuple[list[StageChange], CampaignState]:
    """Return that no cycle came for long, or that they come again."""
    since_ns = state.missing_since_ns
    newest_ns = state.recent_ns[-1] if state.recent_ns else 0
    if since_ns is not None and (ends or state.is_done(plan)):
        again = StageChange(
            kind=EventKind.CYCLES_AGAIN,
            time_ns=max(ends, default=mark_ns),
            stage=_stage_name(plan, state),
            cycles=state.cycles,
            duration_s=to_s(max(ends, default=mark_ns) - since_ns),
        )
        return ([again] if ends else []), replace(state, missing_since_ns=None)
    if since_ns is not None or state.is_done(plan):
        return [], state
    expects = newest_ns > state.stage_ns or plan.stage[state.stage].end.cycles is not None
    wait_s = _NO_CYCLE_YET_S if not newest_ns else NO_CYCLE_S
    usual_s = usual_cycle_s(state)
    wait_s = wait_s if math.isnan(usual_s) else max(wait_s, 3.0 * usual_s)
    since_ns = max(newest_ns, state.stage_ns)
    if not expects or mark_ns - since_ns < to_ns(wait_s):
        return [], state
    missing = StageChange(
        kind=EventKind.CYCLES_MISSING,
        time_ns=since_ns + to_ns(wait_s),
        stage=_stage_name(plan, state),
        cycles=state.cycles,
        duration_s=wait_s,
    )
    return [missing], replace(state, missing_since_ns=since_ns)


def _days_over(state: CampaignState, mark_ns: int) -> tuple[list[StageChange], CampaignState]:
    """Return the days of the campaign that are over; of several without a step only the newest."""
    day = (mark_ns - state.began_ns) // DAY_NS + 1
    if day <= state.day:
        return [], state
    over = StageChange(
        kind=EventKind.DAY_OVER,
        time_ns=state.began_ns + (day - 1) * DAY_NS,
        cycles=state.cycles,
        day=day - 1,
        hottest_degC=state.day_hottest_degC,
    )
    return [over], replace(state, day=day, day_hottest_degC=math.nan)


def _stage_name(plan: PlanSettings, state: CampaignState) -> str:
    return "" if state.is_done(plan) else plan.stage[state.stage].name


def watched_figures(plan: PlanSettings) -> Iterator[str]:
    """Yield the figures that any stage watches, each once."""
    seen: set[str] = set()
    stages: tuple[StageSettings, ...] = plan.stage
    for stage in stages:
        for name in stage.watch:
            if name not in seen:
                seen.add(name)
                yield name
