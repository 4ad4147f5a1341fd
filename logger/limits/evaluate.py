"""All limits of one joint over its readings: pure, and the same in any chunking.

**What readings decide** (every kind but silence). A kind makes one score of each reading (its own
file says how); no clock is asked. A score is *on* at or beyond the pick-up, *off* at or back beyond
the drop-off and not on, else *between*. Of a level the score is the reading; with a magnitude
limit, without its sign.

- Raised at the first score that is on, with every score since some score on, no gap between them,
  and at least the on-delay between that first one and this. With no delay: at the first on.
- Returned likewise: scores off, without a gap, over at least the off-delay.
- A score between is neither: it restarts a running delay and changes nothing else.
- A *gap* stands between two values further apart than the channel's hold limit. It restarts a
  running delay, counted anew from the value behind it. It never raises and never clears: an active
  alert stays active through any gap, and with no delay the value behind the gap decides by itself.
- An integral (inverse time, thermal image) counts a value for as long as it holds and stands still
  over the rest of a gap. A rate has no score until its window is full behind the gap; a tracking
  error has none while either side is older than its hold.

**Silence.** Raised when no row of the joint, of any kind, has come for `after_s`, at the moment at
which that was full: seen by `now_ns` or by a later row. Returned at the next row. Before the first
row it counts from the start. Exactly `after_s` between two rows is a silence, over at once.

`now_ns` is a watermark: no later batch holds a row before it. Changes come in order of time; of one
time, in order of the rows that made them, then of the limits file.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.bench.joint_settings import RatedValues
from logger.limits.kind import ScoredLimit
from logger.limits.limit import AnyJointLimit, LimitSet
from logger.limits.limit_change import LimitChange
from logger.limits.scores import LimitMemory, LimitState, Scores
from logger.limits.series import Series

__all__ = [
    "EvaluationState",
    "LimitMemory",
    "LimitPlan",
    "after_limits_change",
    "after_restart",
    "compute_scores",
    "evaluate",
    "in_channel_unit",
    "initial_memory",
    "initial_state",
    "plan_limits",
    "unjudged",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitPlan:
    """What is watched on one joint."""

    joint: str
    limits: tuple[AnyJointLimit, ...]
    hold_ns: Mapping[str, int]
    """Channel -> how long one of its values holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluationState:
    """What the limits of one joint remember between batches, by the limit's name."""

    limits: Mapping[str, LimitState]
    memories: Mapping[str, LimitMemory] = field(default_factory=dict)
    """Of those kinds whose scores depend on more than the reading itself."""

    @property
    def active_limits(self) -> tuple[str, ...]:
        """Names of the limits whose condition stands."""
        return tuple(name for name, state in self.limits.items() if state.active)


def plan_limits(
    limits: LimitSet,
    *,
    joint: str,
    hold_ns: Mapping[str, int],
    sensor: bool = False,
    rated: RatedValues | None = None,
) -> LimitPlan:
    """Return the plan of a joint; the keys of `hold_ns` are the channels that it carries.

    A limit at a share of a rated value becomes one in the channel's unit; on a joint that has no
    such rated value it is left out (`check_against` refuses it where the joint is named).
    """
    joint_limits = limits.for_joint(joint, tuple(hold_ns), sensor=sensor)
    converted = [in_channel_unit(limit, rated or RatedValues()) for limit in joint_limits]
    return LimitPlan(
        joint=joint,
        limits=tuple(limit for limit in converted if limit is not None),
        hold_ns=hold_ns,
    )


def in_channel_unit(limit: AnyJointLimit, rated: RatedValues) -> AnyJointLimit | None:
    """Return a limit in its channel's own unit; None for a share of what the joint has not."""
    return limit.in_channel_unit(rated)


def initial_state(plan: LimitPlan, *, start_ns: int) -> EvaluationState:
    """Return the state before the first reading; silence counts from `start_ns`."""
    memories = {limit.name: limit.initial_memory() for limit in plan.limits}
    return EvaluationState(
        limits={limit.name: limit.initial_state(start_ns) for limit in plan.limits},
        memories={name: memory for name, memory in memories.items() if memory is not None},
    )


def evaluate(
    plan: LimitPlan, state: EvaluationState, batch: ReadingBatch, *, now_ns: int
) -> tuple[tuple[LimitChange, ...], EvaluationState]:
    """Return what was raised or has returned within `batch`, and the state after it.

    Parameters
    ----------
    state
        From `initial_state`, or from the batch before with the same plan.
    now_ns
        No later batch holds a row before this. Over a finished recording: its end.
    """
    ordered_changes: list[tuple[tuple[int, int, bool, int], LimitChange]] = []
    next_states: dict[str, LimitState] = {}
    memories: dict[str, LimitMemory] = {}
    series = Series(batch, plan.hold_ns)
    for order, limit in enumerate(plan.limits):
        name = limit.name
        changes, next_states[name], memory = limit.advance(
            state.limits[name],
            state.memories.get(name),
            series,
            joint=plan.joint,
            now_ns=now_ns,
        )
        if memory is not None:
            memories[name] = memory
        for row, change in changes:
            # A silence was full before the row that ended it came.
            late = not (limit.watches_gaps and change.kind == EventKind.RAISED)
            ordered_changes.append(((change.time_ns, row, late, order), change))
    ordered_changes.sort(key=lambda item: item[0])
    return tuple(change for _, change in ordered_changes), EvaluationState(
        limits=next_states, memories=memories
    )


def unjudged(plan: LimitPlan, state: EvaluationState) -> dict[str, str]:
    """Return the limits that cannot judge what a joint reports at present, and why: a sentence."""
    found = {
        limit.name: limit.why_unjudged(state.memories.get(limit.name)) for limit in plan.limits
    }
    return {name: f"{plan.joint}: {why} ({name})" for name, why in found.items() if why}


def initial_memory(limit: AnyJointLimit) -> LimitMemory | None:
    """Return what a limit remembers before its first reading; None for a kind without memory."""
    return limit.initial_memory()


def compute_scores(
    limit: ScoredLimit, memory: LimitMemory | None, series: Series
) -> tuple[Scores, LimitMemory | None]:
    """Return the scores of a limit, and what it remembers behind them.

    `memory`: from `initial_memory`, or from the batch before.
    """
    return limit.compute_scores(memory, series)


def after_limits_change(
    plan: LimitPlan, state: EvaluationState, next_plan: LimitPlan, *, time_ns: int
) -> tuple[tuple[LimitChange, ...], EvaluationState]:
    """Return what other limits make of an alert that stands, and the state with them.

    A limit that is the same in both goes on, its delays with it. One that was changed or is gone
    ends its alert at that instant; changed, it begins anew there.
    """
    fresh = initial_state(next_plan, start_ns=time_ns)
    states, memories = dict(fresh.limits), dict(fresh.memories)
    later = {limit.name: limit for limit in next_plan.limits}
    ended = []
    for limit in plan.limits:
        previous = state.limits[limit.name]
        if later.get(limit.name) == limit:
            states[limit.name] = previous
            if limit.name in state.memories:
                memories[limit.name] = state.memories[limit.name]
        elif previous.active:
            ended.append(
                LimitChange(
                    time_ns=time_ns,
                    limit=limit.name,
                    joint=plan.joint,
                    severity=limit.severity,
                    channel=limit.reported_channel,
                    kind=EventKind.RETURNED,
                    value=math.nan,
                    onset_ns=time_ns,
                    peak=limit.standing_peak(previous, time_ns),
                )
            )
    return tuple(ended), EvaluationState(limits=states, memories=memories)


def after_restart(plan: LimitPlan, state: EvaluationState, *, time_ns: int) -> EvaluationState:
    """Return the state of a recorder that goes on at `time_ns`, after time without one.

    What stood still stands; what was running begins anew; a thermal image has cooled. The same as
    live, where it is read back from the recording (logger/recording/resume.py).
    """
    limits: dict[str, LimitState] = {}
    memories: dict[str, LimitMemory] = {}
    for limit in plan.limits:
        name, previous = limit.name, state.limits[limit.name]
        standing = limit.standing_peak(previous, time_ns) if previous.active else None
        memory = limit.memory_after_restart(state.memories.get(name), standing, time_ns)
        limits[name] = limit.after_restart(previous, time_ns)
        if memory is not None:
            memories[name] = memory
    return EvaluationState(limits=limits, memories=memories)
