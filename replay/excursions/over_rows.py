"""Every stretch beyond a limit, evaluated over the rows, and what led up to it.

The limits are evaluated by the very function that runs live, over the recording's rows in order, so
what is found afterwards is what was raised, or would have been with other limits. It is the measure
of the shorter ways: `replay.excursions.recorded` and `replay.tuning`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from logger.limits.evaluate import Plan, evaluate, gone_on, initial, plan_for, taken_over
from logger.limits.hysteresis import LevelState
from logger.limits.kind import Kind
from logger.limits.limit import Limit, LimitSet, in_force
from logger.limits.limit_change import Change
from replay.excursions.excursion import LEAD_UP_S, Excursion, in_order, told, with_lead_up
from replay.recording import Recording

__all__ = ["LEAD_UP_S", "Excursion", "Judged", "excursions", "judged"]

_CHUNK_NS: Final = 600 * 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What the limits of a joint make of a recording."""

    changes: tuple[Change, ...] = ()
    """Every raise and return, in order."""
    worst: Mapping[str, float] = field(default_factory=dict)
    """Limit that stands at the end -> how far it went; not of a silence."""


def judged(recording: Recording, sets: Sequence[tuple[int, LimitSet]], joint: str) -> Judged:
    """Return what limits make of a joint over the recording.

    `sets`: since when which limits are in force, in order of time; the first since the start.
    """
    plans = [
        (
            from_ns,
            plan_for(
                limits,
                joint=joint,
                hold_ns=recording.hold_ns(joint),
                sensor=joint in recording.bench.sensors,
                rated=recording.bench.joint(joint).rated,
            ),
        )
        for from_ns, limits in sets
    ]
    channels = sorted(
        {
            channel
            for _, plan in plans
            for limit in plan.limits
            if isinstance(limit, Kind)
            for _, channel in limit.needs
        }
    )
    if not any(plan.limits for _, plan in plans):
        return Judged()
    said: list[Change] = []
    plan = plans[0][1]
    state = initial(plan, start_ns=recording.start_ns)
    end_ns = recording.end_ns
    at = recording.start_ns
    # Until when somebody listened, when it turned, and to which limits.
    turns: list[tuple[int, int, Plan | None]] = [
        (from_ns, from_ns, after) for from_ns, after in plans[1:]
    ]
    turns += [
        (event.time_ns - round(event.duration_s * 1e9), event.time_ns, None)
        for event in recording.events()
        if event.kind == "continued"
    ]
    # As live: a recorder goes on first, with other limits then.
    turns.sort(key=lambda turn: (turn[1], turn[0]))
    for heard_ns, turn_ns, after in [*turns, (end_ns, end_ns, None)]:
        while at < min(turn_ns, end_ns):
            # Events may lie a little before the start of the first chunk only by clock rounding.
            until = min(at + _CHUNK_NS, turn_ns, end_ns)
            batch = recording.readings(joint, at, until, channels=channels)
            found, state = evaluate(plan, state, batch, now_ns=min(until, heard_ns))
            said += found
            at = until
        if after is not None:
            ended, state = taken_over(plan, state, after, time_ns=turn_ns)
            said += ended
            plan = after
        elif turn_ns < end_ns:
            state = gone_on(plan, state, time_ns=turn_ns)
    return Judged(
        changes=tuple(said),
        worst={
            name: one.peak
            for name, one in state.limits.items()
            if isinstance(one, LevelState) and one.active and one.peak is not None
        },
    )


def excursions(recording: Recording, limits: LimitSet | None = None) -> list[Excursion]:
    """Return every stretch beyond a limit in order of its start.

    `limits`: others than those that were in force, to see what they would have raised.
    """
    sets = recording.limit_sets if limits is None else ((recording.start_ns, limits),)
    found: list[Excursion] = []
    for joint in recording.joints:
        over = judged(recording, sets, joint)
        raised: dict[str, Change] = {}
        mine = []
        for change in over.changes:
            if change.kind == "raised":
                raised[change.limit] = change
            elif change.limit in raised:
                start = raised.pop(change.limit)
                limit = _raised_by(sets, start)
                mine.append(_excursion(recording, limit, start, change.time_ns, change.peak))
        for start in raised.values():
            silent_s = (recording.end_ns - start.onset_ns) * 1e-9
            peak = over.worst.get(start.limit, silent_s)
            mine.append(_excursion(recording, _raised_by(sets, start), start, None, peak))
        found += with_lead_up(recording, mine)
    return sorted(found, key=in_order)


def _raised_by(sets: Sequence[tuple[int, LimitSet]], start: Change) -> Limit:
    """Return the limit that an alert was raised by, as it was then."""
    limit = in_force(sets, start.time_ns).named(start.limit)
    assert limit is not None, "it has just been evaluated"
    return limit


def _excursion(
    recording: Recording, limit: Limit, start: Change, returned_ns: int | None, peak: float
) -> Excursion:
    end_ns = recording.end_ns if returned_ns is None else returned_ns
    settings = recording.bench.joint(start.joint)
    return Excursion(
        joint=start.joint,
        limit=start.limit,
        severity=start.severity,
        channel=start.channel,
        onset_ns=start.onset_ns,
        start_ns=start.time_ns,
        duration_s=(end_ns - start.time_ns) * 1e-9,
        peak=peak,
        peak_words=told(limit, peak),
        ongoing=returned_ns is None,
        rms_torque_Nm={},
        rated_torque_Nm=settings.rated.torque,
        near=(),
    )
