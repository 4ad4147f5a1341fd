"""Every excursion of a recording, found by evaluating its rows.

The limits are evaluated by the function that runs live (`logger.limits.evaluate`) over the rows in
order. So the excursions are those that were raised, or would have been with other limits. The
shorter ways (`replay.excursions.recorded`, `replay.evaluation`) are tested against this one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from logger.arrays import to_s
from logger.event_kind import EventKind
from logger.limits.evaluate import (
    EvaluationState,
    LimitPlan,
    after_limits_change,
    after_restart,
    after_standstill,
    evaluate_with_coverage,
    initial_state,
    plan_limits,
)
from logger.limits.hysteresis import LevelState
from logger.limits.limit import Limit, LimitSet, in_force
from logger.limits.limit_change import CoverageChange, LimitChange
from logger.store.layout.events import pause_ns
from logger.time_chunks import time_chunks
from replay.excursions.excursion import (
    Excursion,
    add_lead_up,
    excursion_order,
    format_peak,
)
from replay.recording import Recording

__all__ = [
    "Excursion",
    "JointEvaluation",
    "evaluate_joint",
    "evaluate_joints",
    "find_excursions",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointEvaluation:
    """The changes that the limits of one joint made over a recording."""

    changes: tuple[LimitChange, ...] = ()
    """Every raise and return, in order."""
    coverage: tuple[CoverageChange, ...] = ()
    """Which limits were not judged any more, and which were again, in order."""
    open_peaks: Mapping[str, float] = field(default_factory=dict)
    """Limit that is active at the end -> worst value of its alert; not of a silence."""


def evaluate_joint(
    recording: Recording, sets: Sequence[tuple[int, LimitSet]], joint: str
) -> JointEvaluation:
    """Return the changes that limits make on one joint over the recording.

    `sets`: (since when, which limits are in force), in order of time; the first since the start.
    """
    plans = [
        (
            from_ns,
            plan_limits(
                limits,
                joint=joint,
                hold_ns=recording.hold_ns(joint),
                sensor=joint in recording.bench.sensors,
                rated=recording.bench.joint_named(joint).rated,
                grids=recording.count_grids(joint),
                heat=recording.heat_model(joint),
            ),
        )
        for from_ns, limits in sets
    ]
    channels = sorted(
        {
            channel
            for _, plan in plans
            for limit in plan.limits
            for _, channel in limit.needed_channels
        }
    )
    if not any(plan.limits for _, plan in plans):
        return JointEvaluation()
    changes: list[LimitChange] = []
    coverage: list[CoverageChange] = []
    plan = plans[0][1]
    state = initial_state(plan, start_ns=recording.start_ns)
    end_ns = recording.end_ns
    chunk_start_ns = recording.start_ns
    bus = recording.bench.bus_of_joint(joint)
    # Until when a recorder ran, when the limits changed or it ran again, what happens there.
    resumptions: list[tuple[int, int, LimitPlan | Callable[..., EvaluationState]]] = [
        (from_ns, from_ns, next_plan) for from_ns, next_plan in plans[1:]
    ]
    resumptions += [
        (
            event.time_ns - pause_ns(event),
            event.time_ns,
            after_restart if event.kind == EventKind.CONTINUED else after_standstill,
        )
        for event in recording.read_events()
        if event.kind == EventKind.CONTINUED
        or (event.kind == EventKind.STANDSTILL and bus is not None and event.bus == bus)
    ]
    # At the same instant a recorder resumes first and then takes over other limits, as live.
    resumptions.sort(key=lambda resumption: (resumption[1], resumption[0]))
    for recorded_until_ns, resumed_ns, turn in [*resumptions, (end_ns, end_ns, None)]:
        for begin_ns, until_ns in time_chunks(chunk_start_ns, min(resumed_ns, end_ns)):
            batch = recording.read_readings(joint, begin_ns, until_ns, channels=channels)
            evaluation = evaluate_with_coverage(
                plan, state, batch, now_ns=min(until_ns, recorded_until_ns)
            )
            state = evaluation.state
            changes += evaluation.changes
            coverage += evaluation.coverage
        # Events may lie a little before the start of the first chunk only by clock rounding.
        chunk_start_ns = max(chunk_start_ns, min(resumed_ns, end_ns))
        if isinstance(turn, LimitPlan):
            closing_changes, state = after_limits_change(plan, state, turn, time_ns=resumed_ns)
            changes += closing_changes
            plan = turn
        elif turn is not None and resumed_ns < end_ns:
            state = turn(plan, state, time_ns=resumed_ns)
    return JointEvaluation(
        changes=tuple(changes),
        coverage=tuple(coverage),
        open_peaks={
            name: limit_state.peak
            for name, limit_state in state.limits.items()
            if isinstance(limit_state, LevelState)
            and limit_state.active
            and limit_state.peak is not None
        },
    )


def evaluate_joints(recording: Recording, limits: LimitSet) -> dict[str, JointEvaluation]:
    """Return what hypothetical limits make of each joint over the whole recording."""
    sets = ((recording.start_ns, limits),)
    return {joint: evaluate_joint(recording, sets, joint) for joint in recording.joints}


def find_excursions(
    recording: Recording,
    limits: LimitSet | None = None,
    *,
    evaluations: Mapping[str, JointEvaluation] | None = None,
) -> list[Excursion]:
    """Return every excursion in order of its start.

    `limits`: hypothetical ones over the whole recording; None: those that were in force.
    `evaluations`: those of `limits` on each joint, where they have been made already.
    """
    sets = recording.limit_sets if limits is None else ((recording.start_ns, limits),)
    all_excursions: list[Excursion] = []
    for joint in recording.joints:
        evaluation = (
            evaluate_joint(recording, sets, joint) if evaluations is None else evaluations[joint]
        )
        open_changes: dict[str, LimitChange] = {}
        joint_excursions = []
        for change in evaluation.changes:
            if change.kind == EventKind.RAISED:
                open_changes[change.limit] = change
            elif change.limit in open_changes:
                start = open_changes.pop(change.limit)
                limit = _limit_in_force(sets, start)
                joint_excursions.append(
                    _to_excursion(recording, limit, start, change.time_ns, change.peak)
                )
        for start in open_changes.values():
            silent_s = to_s(recording.end_ns - start.onset_ns)
            peak = evaluation.open_peaks.get(start.limit, silent_s)
            joint_excursions.append(
                _to_excursion(recording, _limit_in_force(sets, start), start, None, peak)
            )
        all_excursions += add_lead_up(recording, joint_excursions)
    return sorted(all_excursions, key=excursion_order)


def _limit_in_force(sets: Sequence[tuple[int, LimitSet]], start: LimitChange) -> Limit:
    """Return the limit that an alert was raised by, as it was then."""
    limit = in_force(sets, start.time_ns).by_name(start.limit)
    assert limit is not None, "it has just been evaluated"
    return limit


def _to_excursion(
    recording: Recording, limit: Limit, start: LimitChange, returned_ns: int | None, peak: float
) -> Excursion:
    end_ns = recording.end_ns if returned_ns is None else returned_ns
    settings = recording.bench.joint_named(start.joint)
    return Excursion(
        joint=start.joint,
        limit=start.limit,
        severity=start.severity,
        channel=start.channel,
        onset_ns=start.onset_ns,
        start_ns=start.time_ns,
        duration_s=to_s(end_ns - start.time_ns),
        peak=peak,
        peak_text=format_peak(limit, peak),
        ongoing=returned_ns is None,
        rms_torque_Nm={},
        rated_torque_Nm=settings.rated.torque,
        nearby=(),
    )
