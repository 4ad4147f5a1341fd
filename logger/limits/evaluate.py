"""All limits of one joint over its readings: pure, and the same in any chunking.

**What readings decide** (every kind but silence). A kind makes one score of each reading (its own
file says how); no clock is read. A score is *on* at or beyond the pick-up, *off* at or back beyond
the drop-off and not on, else *between*. Of a level the score is the reading; with a magnitude
limit, without its sign.

- At or beyond a level, and at or back beyond one, is decided by counts of the reading: see
  `thresholds`, the one place where a level becomes the number that scores are compared with.
- Raised at the first score that is on, with every score since some score on, no gap between them,
  and at least the on-delay between that first one and this. With no delay: at the first on.
- Returned likewise: scores off, without a gap, over at least the off-delay.
- A score between is neither: it restarts a running delay and changes nothing else.
- A *gap* lies between two values further apart than the channel's hold limit. One that is short
  against a delay is bridged, a longer one restarts it, counted again from the value after it; which
  is which, and when a limit is said to be not judged, `gaps` says for all kinds. A gap never raises
  and never clears: an active alert stays active through any gap, and with no delay the value after
  the gap decides by itself.
- An integral (inverse time, thermal image) counts a value for as long as it holds and is constant
  over the rest of a gap. A rate has no score until its window is full after a gap that is long
  against it; a tracking error has none while either side is older than its hold.

**Silence.** Raised when no row of the joint, of any kind, has come for `after_s`, at the moment at
which that was full: seen by `now_ns` or by a later row. Returned at the next row. Before the first
row it counts from the start. Exactly `after_s` between two rows is a silence, over at once. A span
in which nobody read the bus is none: it counts from its end.

`now_ns` is a watermark: no later batch holds a row before it. Changes come in order of time; of one
time, in order of the rows that made them, then of the limits file.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from logger.event_kind import EventKind
from logger.heat.fitted import FittedHeat
from logger.joint.batch import ReadingBatch
from logger.joint.bench.joint_settings import RatedValues
from logger.limits.gaps import (
    CoverageState,
    CoverageStep,
    CoverageTerms,
    ReceivedTime,
    track_coverage,
)
from logger.limits.kind import MAX_DURATION_S
from logger.limits.limit import AnyJointLimit, LimitSet
from logger.limits.limit_change import CoverageChange, LimitChange
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory, LimitState, Scores
from logger.limits.series import Series
from logger.limits.thresholds import CountGrids

__all__ = [
    "Evaluation",
    "EvaluationState",
    "LimitMemory",
    "LimitPlan",
    "after_limits_change",
    "after_restart",
    "after_standstill",
    "compute_scores",
    "evaluate",
    "evaluate_with_coverage",
    "in_channel_unit",
    "initial_memory",
    "initial_state",
    "plan_limits",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitPlan:
    """The limits of one joint."""

    joint: str
    limits: tuple[AnyJointLimit, ...]
    hold_ns: Mapping[str, int]
    """Channel -> how long one of its values holds."""
    coverage: Mapping[str, CoverageTerms] = field(init=False)
    """Limit on readings -> what it needs to be judged."""
    longest_hold_ns: int = field(init=False)
    calm_step_ns: int = field(init=False)
    """How far apart two rows are at least that change something by that alone (`deferral`)."""

    def __post_init__(self) -> None:
        """Compute once what every batch needs."""
        terms = {
            limit.name: limit.coverage_terms(self.hold_ns)
            for limit in self.limits
            if isinstance(limit, ScoredLimit)
        }
        object.__setattr__(self, "coverage", terms)
        object.__setattr__(self, "longest_hold_ns", max(self.hold_ns.values(), default=0))
        step_s = min([MAX_DURATION_S, *(limit.calm_step_s for limit in self.limits)])
        object.__setattr__(self, "calm_step_ns", round(step_s * 1e9))


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluationState:
    """The state of the limits of one joint between batches, by the limit's name."""

    limits: Mapping[str, LimitState]
    memories: Mapping[str, LimitMemory] = field(default_factory=dict)
    """The memory of those limits whose scores depend on more than the reading itself."""
    judged: Mapping[str, CoverageState] = field(default_factory=dict)
    """When each limit on readings was judged last."""
    last_row_ns: int | None = None
    """Time of the joint's newest row."""
    received_ns: int = 0
    """For how long the joint has reported."""

    @property
    def active_limits(self) -> tuple[str, ...]:
        """Names of the limits whose condition is present."""
        return tuple(name for name, state in self.limits.items() if state.active)


def plan_limits(
    limits: LimitSet,
    *,
    joint: str,
    hold_ns: Mapping[str, int],
    sensor: bool = False,
    rated: RatedValues | None = None,
    grids: Mapping[str, CountGrids] | None = None,
    heat: FittedHeat | None = None,
) -> LimitPlan:
    """Return the plan of a joint; the keys of `hold_ns` are the channels that it carries.

    A limit at a share of a rated value becomes one in the channel's unit; on a joint that has no
    such rated value it is left out (`check_against` refuses it where the joint is named).
    `grids`: the values that the channels can have; left out: not known. `heat`: the joint's model;
    without one, what needs it is left out as well.
    """
    joint_limits = limits.for_joint(joint, tuple(hold_ns), sensor=sensor)
    converted = [
        in_channel_unit(limit, rated or RatedValues(), grids, heat) for limit in joint_limits
    ]
    return LimitPlan(
        joint=joint,
        limits=tuple(limit for limit in converted if limit is not None),
        hold_ns=hold_ns,
    )


def in_channel_unit(
    limit: AnyJointLimit,
    rated: RatedValues,
    grids: Mapping[str, CountGrids] | None = None,
    heat: FittedHeat | None = None,
) -> AnyJointLimit | None:
    """Return a limit in its channel's own unit and counts, with the joint's model of heat.

    None without the rated value of a share, or the model that it needs. `grids`: the values that
    the joint's channels can have; left out: not known.
    """
    in_unit = limit.in_channel_unit(rated)
    converted = None if in_unit is None else in_unit.with_heat(heat)
    return None if converted is None else converted.with_grids(grids or {})


def initial_state(plan: LimitPlan, *, start_ns: int) -> EvaluationState:
    """Return the state before the first reading; silence counts from `start_ns`."""
    memories = {limit.name: limit.initial_memory() for limit in plan.limits}
    return EvaluationState(
        limits={limit.name: limit.initial_state(start_ns) for limit in plan.limits},
        memories={name: memory for name, memory in memories.items() if memory is not None},
        judged={
            limit.name: CoverageState(judged_ns=start_ns)
            for limit in plan.limits
            if isinstance(limit, ScoredLimit)
        },
    )


def evaluate(
    plan: LimitPlan, state: EvaluationState, batch: ReadingBatch, *, now_ns: int
) -> tuple[tuple[LimitChange, ...], EvaluationState]:
    """Return what was raised and what returned within `batch`, and the state after it.

    As `evaluate_with_coverage`, without what was not judged.
    """
    evaluation = evaluate_with_coverage(plan, state, batch, now_ns=now_ns)
    return evaluation.changes, evaluation.state


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What a batch of readings made of the limits of a joint."""

    changes: tuple[LimitChange, ...]
    """What was raised, and what returned."""
    coverage: tuple[CoverageChange, ...]
    """Which limits are not judged any more, and which are again."""
    state: EvaluationState


def evaluate_with_coverage(
    plan: LimitPlan, state: EvaluationState, batch: ReadingBatch, *, now_ns: int
) -> Evaluation:
    """Return the changes within `batch`, and the state after it.

    Parameters
    ----------
    state
        From `initial_state`, or from the batch before with the same plan.
    now_ns
        No later batch holds a row before this. Over a finished recording: its end.
    """
    ordered_changes: list[tuple[tuple[int, int, bool, int], LimitChange]] = []
    coverage: list[tuple[tuple[int, int, int], CoverageChange]] = []
    next_states: dict[str, LimitState] = {}
    memories: dict[str, LimitMemory] = {}
    judged: dict[str, CoverageState] = {}
    series = Series(batch, plan.hold_ns)
    received = ReceivedTime(
        batch.time_ns,
        state.last_row_ns,
        state.received_ns,
        longest_hold_ns=plan.longest_hold_ns,
    )
    for order, limit in enumerate(plan.limits):
        name = limit.name
        memory = state.memories.get(name)
        if isinstance(limit, ScoredLimit):
            scores, memory = limit.compute_scores(memory, series)
            changes, next_states[name] = limit.step_scores(
                state.limits[name], scores, joint=plan.joint
            )
            steps_found, judged[name] = track_coverage(
                plan.coverage[name],
                state.judged[name],
                scores.time_ns,
                scores.batch_rows,
                received,
            )
            coverage.extend(
                ((one.time_ns, one.row, order), _coverage_change(plan, name, one))
                for one in steps_found
            )
        else:
            changes, next_states[name], memory = limit.advance(
                state.limits[name], memory, series, joint=plan.joint, now_ns=now_ns
            )
        if memory is not None:
            memories[name] = memory
        for row, change in changes:
            # A silence was full before the row that ended it came.
            late = not (limit.watches_gaps and change.kind == EventKind.RAISED)
            ordered_changes.append(((change.time_ns, row, late, order), change))
    ordered_changes.sort(key=lambda item: item[0])
    coverage.sort(key=lambda item: item[0])
    return Evaluation(
        changes=tuple(change for _, change in ordered_changes),
        coverage=tuple(change for _, change in coverage),
        state=EvaluationState(
            limits=next_states,
            memories=memories,
            judged=judged,
            last_row_ns=int(batch.time_ns[-1]) if len(batch) else state.last_row_ns,
            received_ns=received.total_ns,
        ),
    )


def _coverage_change(plan: LimitPlan, name: str, step: CoverageStep) -> CoverageChange:
    return CoverageChange(
        time_ns=step.time_ns,
        limit=name,
        joint=plan.joint,
        kind=EventKind.LIMIT_JUDGED_AGAIN if step.judged else EventKind.LIMIT_NOT_JUDGED,
        since_ns=step.since_ns,
    )


def initial_memory(limit: AnyJointLimit) -> LimitMemory | None:
    """Return the memory of a limit before its first reading; None for a kind without one."""
    return limit.initial_memory()


def compute_scores(
    limit: ScoredLimit, memory: LimitMemory | None, series: Series
) -> tuple[Scores, LimitMemory | None]:
    """Return the scores of a limit, and its memory after them.

    `memory`: from `initial_memory`, or from the previous batch.
    """
    return limit.compute_scores(memory, series)


def after_limits_change(
    plan: LimitPlan, state: EvaluationState, next_plan: LimitPlan, *, time_ns: int
) -> tuple[tuple[LimitChange, ...], EvaluationState]:
    """Carry active alerts over to a changed set of limits; return the changes and the new state.

    A limit that is equal in both keeps its state and its running delays. The alert of one that was
    changed or removed ends at that instant; a changed one starts again there.
    """
    fresh = initial_state(next_plan, start_ns=time_ns)
    states, memories = dict(fresh.limits), dict(fresh.memories)
    # What was received before a limit is in force is no time in which it was not judged.
    judged = {
        name: replace(begun, judged_received_ns=state.received_ns)
        for name, begun in fresh.judged.items()
    }
    later = {limit.name: limit for limit in next_plan.limits}
    ended = []
    for limit in plan.limits:
        previous = state.limits[limit.name]
        if later.get(limit.name) == limit:
            states[limit.name] = previous
            if limit.name in state.judged:
                judged[limit.name] = state.judged[limit.name]
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
    return tuple(ended), EvaluationState(
        limits=states,
        memories=memories,
        judged=judged,
        last_row_ns=state.last_row_ns,
        received_ns=state.received_ns,
    )


def after_restart(plan: LimitPlan, state: EvaluationState, *, time_ns: int) -> EvaluationState:
    """Return the state after a restart of the recorder at `time_ns`.

    Active alerts stay active; running delays start again; a thermal image has cooled. The same as
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
    fresh = initial_state(plan, start_ns=time_ns)
    return EvaluationState(limits=limits, memories=memories, judged=fresh.judged)


def after_standstill(plan: LimitPlan, state: EvaluationState, *, time_ns: int) -> EvaluationState:
    """Return the state after a span, up to `time_ns`, in which nobody read the joint's bus.

    Only what counts silence begins again: to a limit on readings it is a gap like any other, and a
    reading that holds longer than it lasted bridges it.
    """
    limits = dict(state.limits)
    for limit in plan.limits:
        if limit.watches_gaps:
            limits[limit.name] = limit.after_restart(limits[limit.name], time_ns)
    return replace(state, limits=limits)
