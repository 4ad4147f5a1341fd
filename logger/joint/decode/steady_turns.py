"""The turns of several joints at once, where none can have been lost. Pure.

Nearly every batch is so: each count lies close to the one before, and no shaft went further
than half a turn in between. Then the nearest move is the move, whatever `unwrap_counts` would look
at, and one pass over the counts of all joints that count alike comes to the same. Where that is not
certain, nothing is done, and `encoder_position` goes through the joints one by one.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.channels import channel_named
from logger.joint.decode.bit_fields import Extracted
from logger.joint.decode.decode_plan import POSITION, JointPlan, TurnGroup
from logger.joint.decode.decode_state import JointState
from logger.joint.decode.found_turns import find_turns, remember_counts
from logger.joint.decode.joint_rows import JointRows
from logger.joint.decode.turn_memory import (
    CountRows,
    FoundSegment,
    HeldCounts,
    Setpoints,
    TurnMemory,
)
from logger.joint.decode.unwrap import UnwrapState

__all__ = ["advance_together", "hold_setpoints", "look_at_held"]

_SURE_TURNS: Final = 0.49
"""Below so much of a turn rounding cannot make half a turn of it."""
_MOST_HELD: Final = 64
"""Batches of which counts are held: to look at all of them costs as much as at three or four."""
_MANY_ROWS: Final = 1024
"""Rows of a batch that is looked at by itself: held, it would keep its columns in memory."""
_NO_COUNTS: Final = (
    np.empty(0, np.intp),
    np.empty(0, np.int64),
    np.empty(0, np.int64),
    np.empty(0, np.float64),
)
_FoundTurns = tuple[Ints, NDArray[np.int32], Sequence[FoundSegment], TurnMemory]
"""What `find_turns` returns."""
_USUAL_RAD: Final = min(-channel_named(POSITION).lowest, channel_named(POSITION).highest)


class _Counts(NamedTuple):
    """The k counts of the joints of a group, in order of joint; arrays have length k."""

    places: NDArray[np.intp]
    """The row of each."""
    kind: NDArray[np.intp]
    factor: Floats
    """One count at the output, in rad."""
    time_ns: Ints
    raw: Ints
    speed_counts_s: Floats
    total: Ints
    """Unwrapped."""
    spans: Sequence[tuple[int, int, int]]
    """(joint, first, end): which are of which joint."""


def advance_together(
    group: TurnGroup,
    plans: Sequence[JointPlan],
    states: Sequence[JointState],
    rows: JointRows,
    extracted: Extracted,
    *,
    segment: NDArray[np.int32],
) -> tuple[Mapping[int, JointState], Mapping[int, Sequence[FoundSegment]], bool] | None:
    """Fill position and segment of all rows that carry a count of one of the group's joints.

    Parameters
    ----------
    plans, states
        Of all joints.
    segment
        int32, shape (n,): to be filled, as the row of the position in `extracted.values`.

    Returns
    -------
    states, found, is_usual
        Joint -> its state after these rows, of the joints with a count; joint -> the segments that
        begin in them with turns that were found; whether all positions are in their valid range.
    None
        Turns may have been lost; nothing was filled.
    """
    counts = _steady_counts(group, plans, states, rows, extracted)
    if counts is None:
        return None
    lost: Mapping[int, _FoundTurns] = {}
    if group.finds:
        lost = _find_lost_turns(group, plans, states, rows, extracted, counts=counts)
    places, total = counts.places, counts.total
    position = total.astype(np.float64)
    position *= counts.factor
    if group.has_offset:
        position += group.offset[counts.kind]
    extracted.values[group.position_row][places] = position
    after: dict[int, JointState] = {}
    found: dict[int, Sequence[FoundSegment]] = {}
    is_usual = True
    for joint, first, end in counts.spans:
        state = states[joint]
        newest_segment, memory, held = state.turns.segment, state.memory, state.held
        if joint in lost:
            _, segments, its_found, memory = lost[joint]
            segment[places[first:end]] = segments
            newest_segment = int(segments[-1])
            if its_found:
                found[joint] = its_found
        else:
            segment[places[first:end]] = newest_segment
            if plans[joint].find is not None:
                begin, stop = rows.spans[joint]
                its_counts = HeldCounts(
                    state.turns.time_ns,
                    places[first:end],
                    counts.time_ns[first:end],
                    total[first:end],
                    counts.speed_counts_s[first:end],
                    begin,
                    rows.time_ns[begin:stop],
                    extracted.values[group.setpoint_row][begin:stop],
                )
                held = (*held, its_counts)
        time_ns, speed = counts.time_ns.item(end - 1), counts.speed_counts_s.item(end - 1)
        turns = UnwrapState(
            time_ns, counts.raw.item(end - 1), speed, total.item(end - 1), newest_segment
        )
        after[joint] = JointState(
            turns,
            state.text,
            state.restarts,
            state.restarts_counted,
            speed,
            time_ns,
            memory,
            held,
        )
        if len(held) >= _MOST_HELD or len(rows.kind) >= _MANY_ROWS:
            after[joint] = look_at_held(plans[joint], after[joint])
        # From each count to the next it is half a turn at most.
        furthest = abs(turns.total) + (end - first) * group.modulus
        scaling = plans[joint].position_scaling
        is_usual &= (
            joint not in found
            and furthest * abs(scaling.factor) + abs(scaling.offset) <= _USUAL_RAD
        )
    return after, found, is_usual


def _steady_counts(
    group: TurnGroup,
    plans: Sequence[JointPlan],
    states: Sequence[JointState],
    rows: JointRows,
    extracted: Extracted,
) -> _Counts | None:
    """Return the counts, unwrapped; None: there are none, or turns may have been lost."""
    spans = []
    end = 0
    fastest = 0.0
    for joint in group.joints:
        due = rows.kind_counts[plans[joint].count_kind]
        if due:
            state = states[joint]
            speed_before = abs(state.turns.speed_counts_s)
            if (
                state.turns.segment < 0
                or state.restarts != state.restarts_counted
                or math.isnan(speed_before)
            ):
                return None
            fastest = max(fastest, speed_before)
            spans.append((joint, end, end + due))
            end += due
    if not spans:
        return None
    places = group.is_count[rows.kind].nonzero()[0]
    if extracted.absent is not None and np.count_nonzero(extracted.absent[:, group.slot][places]):
        return None
    kind = rows.kind[places]
    count = extracted.raw[:, group.slot][places]
    time_ns = rows.time_ns[places]
    speed = extracted.values[group.speed_row][places]
    factor = group.factor[kind]
    speed /= factor
    moves = np.empty(end, np.int64)
    elapsed_ns = np.empty(end, np.int64)
    np.subtract(count[1:], count[:-1], moves[1:])
    np.subtract(time_ns[1:], time_ns[:-1], elapsed_ns[1:])
    for joint, first, _ in spans:
        turns = states[joint].turns
        moves[first] = count.item(first) - turns.raw
        elapsed_ns[first] = time_ns.item(first) - turns.time_ns
    half = group.modulus // 2
    moves += half
    moves %= group.modulus
    moves -= half
    longest_ns = elapsed_ns.item(elapsed_ns.argmax())
    # The greatest of numbers with an unknown one is the unknown one, which no comparison passes.
    size = np.abs(speed)
    fastest = max(size.item(size.argmax()), fastest)
    furthest = max(moves.item(moves.argmax()), -moves.item(moves.argmin()), 1)
    furthest += fastest * to_s(longest_ns)
    if not (longest_ns <= group.known_for_ns and furthest < _SURE_TURNS * group.modulus):
        return None
    total = elapsed_ns  # of which nothing more is needed
    for joint, first, stop in spans:
        moves[first] += states[joint].turns.total
        np.add.accumulate(moves[first:stop], 0, None, total[first:stop])
    return _Counts(places, kind, factor, time_ns, count, speed, total, spans)


def _find_lost_turns(
    group: TurnGroup,
    plans: Sequence[JointPlan],
    states: Sequence[JointState],
    rows: JointRows,
    extracted: Extracted,
    *,
    counts: _Counts,
) -> Mapping[int, _FoundTurns]:
    """Return what `find_turns` does for each joint whose turns were lost before these counts.

    Its totals become those with the turns that were found.
    """
    lost: dict[int, _FoundTurns] = {}
    for joint, first, end in counts.spans:
        find, state = plans[joint].find, states[joint]
        if find is None or state.memory.lost is None:
            continue
        begin, stop = rows.spans[joint]
        column = extracted.values[group.setpoint_row][begin:stop]
        row = (~np.isnan(column)).nonzero()[0]
        lost[joint] = find_turns(
            find,
            state.memory,
            CountRows(
                row=counts.places[first:end] - begin,
                time_ns=counts.time_ns[first:end],
                total=counts.total[first:end],
                segment=np.full(end - first, state.turns.segment, np.int32),
                speed_counts_s=counts.speed_counts_s[first:end],
                broken=None,
            ),
            Setpoints(
                row=row,
                time_ns=rows.time_ns[begin:stop][row],
                counts=column[row] / find.rad_per_count,
            ),
            before=state.turns,
        )
        counts.total[first:end] = lost[joint][0]
    return lost


def hold_setpoints(
    plan: JointPlan, state: JointState, rows: JointRows, extracted: Extracted, joint: int
) -> JointState:
    """Return the state of a joint of which counts are held after rows without a count."""
    begin, stop = rows.spans[joint]
    setpoints = HeldCounts(
        state.turns.time_ns,
        *_NO_COUNTS,
        begin,
        rows.time_ns[begin:stop],
        extracted.values[plan.setpoint_row][begin:stop],
    )
    state = state._replace(held=(*state.held, setpoints))
    return look_at_held(plan, state) if len(state.held) >= _MOST_HELD else state


def look_at_held(plan: JointPlan, state: JointState) -> JointState:
    """Return the state of a joint with the counts that are held in its memory."""
    if not state.held:
        return state
    assert plan.find is not None, "else none are held"
    return state._replace(memory=remember_counts(plan.find, state.memory, state.held), held=())
