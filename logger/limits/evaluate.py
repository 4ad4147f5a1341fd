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
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.bench.joint_settings import RatedValues
from logger.limits import hysteresis, silence
from logger.limits.frozen import FrozenMemory, Stuck, measure_frozen
from logger.limits.hysteresis import LevelState
from logger.limits.inverse_time import InverseMemory, InverseTime, measure_inverse_time
from logger.limits.kind import JointLimit, Scores
from logger.limits.level import Band, Level, RatedLevel, measure_band, measure_level
from logger.limits.limit import AnyJointLimit, LimitSet
from logger.limits.limit_change import LimitChange
from logger.limits.rate import Rate, RateMemory, measure_rate
from logger.limits.series import Series
from logger.limits.silence import Silence, SilenceState
from logger.limits.thermal import Thermal, ThermalMemory, measure_thermal
from logger.limits.touch import TouchTemperature, measure_touch
from logger.limits.tracking import Tracking, TrackingMemory, measure_tracking

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
    "state_from_json",
    "state_to_json",
]


LimitMemory = FrozenMemory | InverseMemory | RateMemory | ThermalMemory | TrackingMemory

_MEMORY_CLASSES: Final[dict[type[JointLimit], type[LimitMemory]]] = {
    Stuck: FrozenMemory,
    InverseTime: InverseMemory,
    Rate: RateMemory,
    Thermal: ThermalMemory,
    Tracking: TrackingMemory,
}


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

    limits: Mapping[str, LevelState | SilenceState]
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
    return (
        limit.with_rated(rated) if isinstance(limit, RatedLevel | InverseTime | Thermal) else limit
    )


def initial_state(plan: LimitPlan, *, start_ns: int) -> EvaluationState:
    """Return the state before the first reading; silence counts from `start_ns`."""
    return EvaluationState(
        limits={
            limit.name: SilenceState(last_ns=start_ns)
            if isinstance(limit, Silence)
            else LevelState()
            for limit in plan.limits
        },
        memories={
            limit.name: _MEMORY_CLASSES[type(limit)]()
            for limit in plan.limits
            if isinstance(limit, JointLimit) and type(limit) in _MEMORY_CLASSES
        },
    )


def evaluate(
    plan: LimitPlan, state: EvaluationState, batch: ReadingBatch, *, now_ns: int
) -> tuple[tuple[LimitChange, ...], EvaluationState]:
    """Return what was raised or has returned within `batch`, and the state after it.

    Parameters
    ----------
    state
        From `initial_state`, from the batch before, or from `state_from_json` with the same plan.
    now_ns
        No later batch holds a row before this. Over a finished recording: its end.
    """
    ordered_changes: list[tuple[tuple[int, int, bool, int], LimitChange]] = []
    next_states: dict[str, LevelState | SilenceState] = {}
    memories: dict[str, LimitMemory] = {}
    series = Series(batch, plan.hold_ns)
    for order, limit in enumerate(plan.limits):
        previous = state.limits[limit.name]
        if isinstance(limit, Silence):
            assert isinstance(previous, SilenceState), "`initial` and `from_plain` pair them"
            changes, next_states[limit.name] = silence.step_silence(
                limit, previous, batch.time_ns, joint=plan.joint, now_ns=now_ns
            )
            early = True
        else:
            assert isinstance(previous, LevelState), "`initial` and `from_plain` pair them"
            scores, memory = compute_scores(limit, state.memories.get(limit.name), series)
            if memory is not None:
                memories[limit.name] = memory
            changes, next_states[limit.name] = hysteresis.step_level(
                limit, previous, scores, joint=plan.joint
            )
            if scores.batch_rows is not None:
                # By the row in the batch, not in the channel: ties come out alike in any chunking.
                changes = [(int(scores.batch_rows[index]), change) for index, change in changes]
            early = False
        for row, change in changes:
            # A silence was full before the row that ended it came.
            late = not (early and change.kind == EventKind.RAISED)
            ordered_changes.append(((change.time_ns, row, late, order), change))
    ordered_changes.sort(key=lambda item: item[0])
    return tuple(change for _, change in ordered_changes), EvaluationState(
        limits=next_states, memories=memories
    )


def initial_memory(limit: AnyJointLimit) -> LimitMemory | None:
    """Return what a limit remembers before its first reading; None for a kind without memory."""
    memory_class = _MEMORY_CLASSES.get(type(limit)) if isinstance(limit, JointLimit) else None
    return None if memory_class is None else memory_class()


def compute_scores(
    limit: AnyJointLimit, memory: LimitMemory | None, series: Series
) -> tuple[Scores, LimitMemory | None]:
    """Return the scores of a limit that is not a silence, and what it remembers behind them.

    `memory`: from `initial_memory`, or from the batch before.
    """
    match limit, memory:
        case Level(), _:
            return measure_level(limit, series), None
        case Band(), _:
            return measure_band(limit, series), None
        case TouchTemperature(), _:
            return measure_touch(limit, series), None
        case InverseTime(), InverseMemory():
            return measure_inverse_time(limit, memory, series)
        case Thermal(), ThermalMemory():
            return measure_thermal(limit, memory, series)
        case Rate(), RateMemory():
            return measure_rate(limit, memory, series)
        case Tracking(), TrackingMemory():
            return measure_tracking(limit, memory, series)
        case Stuck(), FrozenMemory():
            return measure_frozen(limit, memory, series)
        case _:
            raise AssertionError(f"{limit!r} does not go with {memory!r}: `initial` pairs them")


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
            silent_s = (time_ns - previous.last_ns) * 1e-9 if previous.last_ns is not None else None
            peak = previous.peak if isinstance(previous, LevelState) else silent_s
            ended.append(
                LimitChange(
                    time_ns=time_ns,
                    limit=limit.name,
                    joint=plan.joint,
                    severity=limit.severity,
                    channel=limit.reported_channel if isinstance(limit, JointLimit) else "",
                    kind=EventKind.RETURNED,
                    value=math.nan,
                    onset_ns=time_ns,
                    peak=math.nan if peak is None else peak,
                )
            )
    return tuple(ended), EvaluationState(limits=states, memories=memories)


def after_restart(plan: LimitPlan, state: EvaluationState, *, time_ns: int) -> EvaluationState:
    """Return the state of a recorder that goes on at `time_ns`, after time without one.

    What stood still stands; what was running begins anew; a thermal image has cooled. The same as
    live, where it is read back from the recording (logger/recording/resume.py).
    """
    fresh = initial_state(plan, start_ns=time_ns)
    limits, memories = dict(fresh.limits), dict(fresh.memories)
    for limit in plan.limits:
        previous, memory = state.limits[limit.name], state.memories.get(limit.name)
        if isinstance(memory, ThermalMemory) and isinstance(limit, Thermal):
            memories[limit.name] = memory.cooled(limit, time_ns)
        if not previous.active:
            continue
        if isinstance(previous, LevelState):
            limits[limit.name] = LevelState(active=True, peak=previous.peak)
            if isinstance(limit, Stuck):
                memories[limit.name] = FrozenMemory(anchor=previous.peak)
        else:
            limits[limit.name] = previous
    return EvaluationState(limits=limits, memories=memories)


def state_to_json(state: EvaluationState) -> dict[str, Any]:
    """Return a state as plain JSON-able content."""
    return {
        "format": 1,
        "limits": {
            name: {
                "kind": "level" if isinstance(limit_state, LevelState) else "silence",
                **asdict(limit_state),
            }
            for name, limit_state in state.limits.items()
        },
        "memories": {
            name: {"kind": type(limit_state).__name__, **asdict(limit_state)}
            for name, limit_state in state.memories.items()
        },
    }


def state_from_json(plan: LimitPlan, plain: Mapping[str, Any], *, start_ns: int) -> EvaluationState:
    """Return the state that `state_to_json` wrote, for a logger that takes it up at `start_ns`.

    A limit that the content does not know begins anew; one that the plan does not know is left
    out. A silence that was not yet full counts from `start_ns`: nobody listened in between. A
    thermal image has cooled until then.

    Raises
    ------
    InputError
        The content is not what `state_to_json` writes.
    """
    fresh = initial_state(plan, start_ns=start_ns)
    state, memories = dict(fresh.limits), dict(fresh.memories)
    limits = {limit.name: limit for limit in plan.limits}
    try:
        if plain["format"] != 1:
            raise ValueError(plain["format"])  # noqa: TRY301 - answered with all else below
        for name, content in plain["limits"].items():
            fields = {key: value for key, value in content.items() if key != "kind"}
            saved = state.get(name)
            if isinstance(saved, LevelState) and content["kind"] == "level":
                state[name] = LevelState(**fields)
            elif isinstance(saved, SilenceState) and content["kind"] == "silence":
                saved_silence = SilenceState(**fields)
                last_ns = (
                    saved_silence.last_ns
                    if saved_silence.active
                    else max(saved_silence.last_ns, start_ns)
                )
                state[name] = SilenceState(last_ns=last_ns, active=saved_silence.active)
        for name, content in plain.get("memories", {}).items():
            kind = content["kind"]
            if name not in memories or type(memories[name]).__name__ != kind:
                continue
            fields = {
                key: tuple(value) if isinstance(value, list) else value
                for key, value in content.items()
                if key != "kind"
            }
            memory = type(memories[name])(**fields)
            limit = limits[name]
            if isinstance(memory, ThermalMemory) and isinstance(limit, Thermal):
                memory = memory.cooled(limit, start_ns)
            memories[name] = memory
    except (AttributeError, KeyError, TypeError, ValueError) as fault:
        raise InputError(
            f"The kept state of the limits of joint {plan.joint!r} cannot be taken up ({fault!r}); "
            "expected format 1 as this program writes it. Start without it."
        ) from None
    return EvaluationState(limits=state, memories=memories)
