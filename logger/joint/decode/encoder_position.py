"""The position of a joint from its encoder's counts, within a batch of frames. Pure.

unwrap.py unwraps the counts and found_turns.py finds lost turns again; here each count gets the
speed and set-point that they look at, and the position its row.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.joint.batch import ReadingBatch
from logger.joint.decode.bit_fields import Extracted
from logger.joint.decode.decode_plan import POSITION, SETPOINT, SPEED, DecodePlan, JointPlan
from logger.joint.decode.decode_state import JointState
from logger.joint.decode.found_turns import find_turns
from logger.joint.decode.joint_rows import JointRows
from logger.joint.decode.steady_turns import advance_together, hold_setpoints, look_at_held
from logger.joint.decode.turn_memory import CountRows, FoundSegment, Setpoints, TurnMemory
from logger.joint.decode.unwrap import UnwrapState, unwrap_counts

__all__ = ["fill_positions", "turn_memory_of"]


def fill_positions(
    plan: DecodePlan,
    states: list[JointState],
    rows: JointRows,
    extracted: Extracted,
    segment: NDArray[np.int32],
    *,
    restarts: Mapping[int, Ints],
) -> tuple[Mapping[int, Sequence[FoundSegment]], bool]:
    """Fill position and segment of all joints; put the states after them into `states`.

    Parameters
    ----------
    segment
        int32, shape (n,): -1 in each row.
    restarts
        Joint -> how often it was switched on up to each of its rows; of those that ever were.

    Returns
    -------
    found, is_usual
        Joint -> the segments that begin in its rows with turns that were found again; whether
        nothing that was extracted or filled can be outside its valid range.
    """
    found: dict[int, Sequence[FoundSegment]] = {}
    is_usual = extracted.is_usual
    done: set[int] = set()
    for group in plan.turn_groups:
        together = advance_together(group, plan.joints, states, rows, extracted, segment=segment)
        if together is not None:
            after, found_together, has_usual_positions = together
            is_usual &= has_usual_positions
            found.update(found_together)
            for index, state in after.items():
                states[index] = state
            done.update(after)
    for index in plan.with_position:
        joint, (first, end) = plan.joints[index], rows.spans[index]
        if first == end or index in done:
            continue
        values = extracted.values[:, first:end]
        if states[index].held and not rows.kind_counts[joint.count_kind]:
            states[index] = hold_setpoints(joint, states[index], rows, extracted, index)
        elif joint.counts:
            states[index], found[index] = _fill_position(
                joint,
                look_at_held(joint, states[index]),
                _counts_of(joint, rows, extracted, first, end),
                counts_due=rows.kind_counts[joint.count_kind],
                time_ns=rows.time_ns[first:end],
                values=values,
                segment=segment[first:end],
                restarts=restarts.get(index),
            )
            is_usual = False
        else:
            has_position = ~np.isnan(values[joint.position_row])
            segment[first:end][has_position] = (
                restarts[index][has_position] if index in restarts else 0
            )
    return found, is_usual


def _counts_of(
    joint: JointPlan, rows: JointRows, extracted: Extracted, first: int, end: int
) -> tuple[NDArray[np.intp], Ints]:
    """Return which of a joint's rows carry a count, and the counts."""
    places = (rows.kind[first:end] == joint.count_kind).nonzero()[0]
    slot, absent = joint.count_slot, extracted.absent
    if absent is not None:
        places = places[~absent[first:end, slot][places]]
    return places, extracted.raw[first:end, slot][places]


def _fill_position(
    plan: JointPlan,
    state: JointState,
    counted: tuple[NDArray[np.intp], Ints],
    *,
    counts_due: int,
    time_ns: NDArray[np.int64],
    values: Floats,
    segment: NDArray[np.int32],
    restarts: NDArray[np.int64] | None,
) -> tuple[JointState, Sequence[FoundSegment]]:
    """Fill position and segment of the rows that carry a count; return the state after them.

    The second are the segments that begin in them with turns that were found again. `values`: the
    joint's columns of the matrix of readings.

    `counts_due`: rows that carry one, unless its value is "no value". `restarts`: how often the
    joint was switched on up to each row; None: never.
    """
    broken = None
    if restarts is not None and len(counted[0]):
        restarts_at_count = restarts[counted[0]]
        broken = np.diff(restarts_at_count, prepend=state.restarts_counted) > 0
        state = state._replace(restarts_counted=int(restarts_at_count[-1]))
    speed = _speed_with_count(plan, counted, values, counts_due=counts_due)
    newest: tuple[float, int] | None = None
    if speed is None:
        held, newest = _held_speed(plan, state, time_ns, values)
        speed = held[counted[0]]
    turns, memory = state.turns, state.memory
    found: Sequence[FoundSegment] = ()
    setpoints = None if plan.find is None else _setpoints(plan, time_ns, values)
    if len(counted[0]):
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
    speed_counts_s, speed_time_ns = newest or (turns.speed_counts_s, turns.time_ns)
    return (
        state._replace(
            turns=turns,
            speed_counts_s=speed_counts_s,
            speed_time_ns=speed_time_ns,
            memory=memory,
        ),
        found,
    )


def turn_memory_of(plan: JointPlan, readings: ReadingBatch, *, segment: int) -> TurnMemory:
    """Return what is remembered of a joint, from stored readings; `segment`: its newest.

    The same as `TurnMemory.after_restart` of who decoded them, if they go back by `EVIDENCE_NS`.
    """
    memory, time_ns = TurnMemory(), readings.time_ns
    places = np.flatnonzero(readings.position_segment == segment)
    if plan.find is None or not len(places):
        return memory
    wanted = {
        SPEED: plan.speed_row,
        SETPOINT: plan.setpoint_row,
        POSITION: plan.position_row,
    }
    values = np.full((max(wanted.values()) + 1, len(time_ns)), np.nan)
    for channel, row in wanted.items():
        if row >= 0:
            values[row] = readings.columns[channel]
    speed, _ = _held_speed(plan, JointState(), time_ns, values)
    position = values[plan.position_row, places]
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
    column = values[plan.setpoint_row]
    row = (~np.isnan(column)).nonzero()[0]
    return Setpoints(
        row=row, time_ns=time_ns[row], counts=column[row] / plan.position_scaling.factor
    )


def _speed_with_count(
    plan: JointPlan,
    counted: tuple[NDArray[np.intp], Ints],
    values: Floats,
    *,
    counts_due: int,
) -> Floats | None:
    """Return the speed at each count where every frame with a count carries one, else None."""
    if not plan.speed_with_count or not 0 < len(counted[0]) == counts_due:
        return None
    speed = values[plan.speed_row][counted[0]] / plan.position_scaling.factor
    return None if np.isnan(speed).any() else speed


def _held_speed(
    plan: JointPlan, state: JointState, time_ns: NDArray[np.int64], values: Floats
) -> tuple[Floats, tuple[float, int]]:
    """Return the speed that holds at each row, NaN where it is too old; the newest, and its time.

    Divided by the rad of one count at the output (`position_scaling`), it is the encoder's own
    speed, in counts a second.
    """
    if plan.speed_row >= 0:
        speed = values[plan.speed_row] / plan.position_scaling.factor
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
        held = np.where(time_ns - held_since <= plan.guided_for_ns, held, np.nan)
        newest = int(latest[-1])
    if newest < 0:
        return held, (state.speed_counts_s, state.speed_time_ns)
    return held, (float(speed[newest]), int(time_ns[newest]))


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
        guided_for_ns=plan.guided_for_ns,
        state=state.turns,
        speed_apart=plan.speed_apart,
        zero=plan.zero_count,
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
            turns = turns._replace(total=int(total[-1]), segment=int(segments[-1]))
    position = total * plan.position_scaling.factor
    # A zero that the factor turned round is no negative one: an offset of zero mends that as well.
    position += plan.position_scaling.offset
    values[plan.position_row, places] = position
    segment[places] = segments
    return turns, memory, found
