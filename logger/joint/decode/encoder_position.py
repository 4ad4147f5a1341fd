"""The position of a joint from its encoder's counts, within a batch of frames. Pure.

unwrap.py unwraps the counts and found_turns.py finds lost turns again; here each count gets the
speed and set-point that they look at, and the position its row.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_ns
from logger.joint.batch import ReadingBatch
from logger.joint.decode.decode_plan import SETPOINT, JointPlan
from logger.joint.decode.decode_state import JointState
from logger.joint.decode.found_turns import find_turns
from logger.joint.decode.turn_memory import CountRows, FoundSegment, Setpoints, TurnMemory
from logger.joint.decode.unwrap import UnwrapState, unwrap_counts

__all__ = ["fill_position", "turn_memory_of"]


def fill_position(
    plan: JointPlan,
    state: JointState,
    counted: tuple[NDArray[np.intp], NDArray[np.int64]] | None,
    *,
    counts_due: int,
    time_ns: NDArray[np.int64],
    values: Floats,
    segment: NDArray[np.int32],
    restarts: NDArray[np.int64] | None,
) -> tuple[JointState, Sequence[FoundSegment]]:
    """Fill position and segment of the rows that carry a count; return the state after them.

    The second are the segments that begin in them with turns that were found again.

    `counts_due`: rows that carry one, unless its value is "no value". `restarts`: how often the
    joint was switched on up to each row; None: never.
    """
    broken = None
    if restarts is not None and counted is not None and len(counted[0]):
        restarts_at_count = restarts[counted[0]]
        broken = np.diff(restarts_at_count, prepend=state.restarts_counted) > 0
        state = replace(state, restarts_counted=int(restarts_at_count[-1]))
    speed = _speed_with_count(plan, counted, values, counts_due=counts_due)
    newest: tuple[float, int] | None = None
    if speed is None:
        held, newest = _held_speed(plan, state, time_ns, values)
        speed = held if counted is None else held[counted[0]]
    turns, memory = state.turns, state.memory
    found: Sequence[FoundSegment] = ()
    setpoints = None if plan.find is None else _setpoints(plan, time_ns, values)
    if counted is not None and len(counted[0]):
        turns, memory, found = _unwrap_counts(
            plan,
            state,
            counted,
            speed,
            memory=memory,
            setpoints=setpoints,
            time_ns=time_ns,
            values=values,
            segment=segment,
            broken=broken,
        )
    elif setpoints is not None:
        memory = memory.with_setpoint(setpoints)
    # With a speed in every frame of a count, the newest speed is that of the newest count.
    newest = newest or (turns.speed_counts_s, turns.time_ns)
    return _state_after(state, turns, memory, *newest), found


def turn_memory_of(plan: JointPlan, readings: ReadingBatch, *, segment: int) -> TurnMemory:
    """Return what is remembered of a joint, from stored readings; `segment`: its newest.

    The same as `TurnMemory.after_restart` of who decoded them, if they go back by `EVIDENCE_NS`.
    """
    memory, time_ns = TurnMemory(), readings.time_ns
    places = np.flatnonzero(readings.position_segment == segment)
    if plan.find is None or not len(places):
        return memory
    values = np.array([readings.columns[channel] for channel in plan.channels])
    speed, _ = _held_speed(plan, JointState(), time_ns, values)
    position = values[plan.channels.index("position_rad"), places]
    scaling = plan.position_scaling
    rows = CountRows(
        row=places,
        time_ns=time_ns[places],
        total=np.rint((position - scaling.offset) / scaling.factor).astype(np.int64),
        segment=readings.position_segment[places],
        speed_counts_s=speed[places],
        broken=None,
    )
    setpoints = _setpoints(plan, time_ns, values)
    memory = find_turns(plan.find, memory, rows, setpoints, before=UnwrapState())[-1]
    newest = UnwrapState(time_ns=int(rows.time_ns[-1]), total=int(rows.total[-1]))
    return memory.after_restart(newest)


def _setpoints(plan: JointPlan, time_ns: Ints, values: Floats) -> Setpoints:
    """Return the set-points of the position among the joint's rows."""
    column = values[plan.channels.index(SETPOINT)]
    row = (~np.isnan(column)).nonzero()[0]
    return Setpoints(
        row=row, time_ns=time_ns[row], counts=column[row] / plan.position_scaling.factor
    )


def _speed_with_count(
    plan: JointPlan,
    counted: tuple[NDArray[np.intp], NDArray[np.int64]] | None,
    values: Floats,
    *,
    counts_due: int,
) -> Floats | None:
    """Return the speed at each count where every frame with a count carries one, else None."""
    if not plan.speed_with_count or counted is None or len(counted[0]) != counts_due:
        return None
    speed = values[plan.channels.index("speed_rad_s")][counted[0]] / plan.position_scaling.factor
    return None if np.isnan(speed).any() else speed


def _held_speed(
    plan: JointPlan, state: JointState, time_ns: NDArray[np.int64], values: Floats
) -> tuple[Floats, tuple[float, int]]:
    """Return the speed that holds at each row, NaN where it is too old; the newest, and its time.

    Divided by the rad of one count at the output (`position_scaling`), it is the encoder's own
    speed, in counts a second.
    """
    if "speed_rad_s" in plan.channels:
        speed = values[plan.channels.index("speed_rad_s")] / plan.position_scaling.factor
        reported = ~np.isnan(speed)
    else:
        speed = np.full(len(time_ns), np.nan)
        reported = np.zeros(len(time_ns), bool)
    if reported.all():
        held, newest = speed, len(speed) - 1
    else:
        latest = np.maximum.accumulate(np.where(reported, np.arange(len(speed)), -1))
        held = np.where(latest >= 0, speed[latest], state.speed_counts_s)
        held_since = np.where(latest >= 0, time_ns[latest], state.speed_time_ns)
        known_for_ns = to_ns(plan.joint.turns_known_for_s)
        held = np.where(time_ns - held_since <= known_for_ns, held, np.nan)
        newest = int(latest[-1])
    if newest < 0:
        return held, (state.speed_counts_s, state.speed_time_ns)
    return held, (float(speed[newest]), int(time_ns[newest]))


def _state_after(
    state: JointState,
    turns: UnwrapState,
    memory: TurnMemory,
    speed_counts_s: float,
    speed_time_ns: int,
) -> JointState:
    """Return the state with other turns and speed; `replace` would cost a twentieth of a batch."""
    return JointState(
        turns=turns,
        text=state.text,
        restarts=state.restarts,
        restarts_counted=state.restarts_counted,
        speed_counts_s=speed_counts_s,
        speed_time_ns=speed_time_ns,
        memory=memory,
    )


def _unwrap_counts(
    plan: JointPlan,
    state: JointState,
    counted: tuple[NDArray[np.intp], Ints],
    speed_counts_s: Floats,
    *,
    memory: TurnMemory,
    setpoints: Setpoints | None,
    time_ns: Ints,
    values: Floats,
    segment: NDArray[np.int32],
    broken: NDArray[np.bool_] | None,
) -> tuple[UnwrapState, TurnMemory, Sequence[FoundSegment]]:
    """Fill position and segment where there is a count; `speed_counts_s` is that at each count.

    `setpoints`: those among the same rows; None: lost turns are not looked for.
    """
    places, count = counted
    found: Sequence[FoundSegment] = ()
    total, segments, turns = unwrap_counts(
        time_ns[places],
        count,
        speed_counts_s,
        modulus=plan.counts,
        valid_for_ns=plan.known_for_ns,
        guided_for_ns=to_ns(plan.joint.turns_known_for_s),
        state=state.turns,
        speed_apart=plan.speed_apart,
        broken=broken,
    )
    if plan.find is not None and setpoints is not None:
        rows = CountRows(
            row=places,
            time_ns=time_ns[places],
            total=total,
            segment=segments,
            speed_counts_s=speed_counts_s,
            broken=broken,
        )
        total, segments, found, memory = find_turns(
            plan.find, memory, rows, setpoints, before=state.turns
        )
        if found:
            turns = replace(turns, total=int(total[-1]), segment=int(segments[-1]))
    position = total * plan.position_scaling.factor
    if plan.position_scaling.offset:
        position += plan.position_scaling.offset
    values[plan.channels.index("position_rad"), places] = position
    segment[places] = segments
    return turns, memory, found
