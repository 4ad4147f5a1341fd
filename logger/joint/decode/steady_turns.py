"""The turns of several joints at once, where none can have been lost. Pure.

Nearly every batch is so: each count lies close behind the one before, and no shaft went further
than half a turn in between. Then the nearest move is the move, whatever `unwrap_counts` would look
at, and one pass over the counts of all joints that count alike comes to the same. Where that is not
certain, nothing is done, and `encoder_position` goes through the joints one by one.
"""

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import repeat
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.channels import channel_named
from logger.joint.decode.bit_fields import Extracted
from logger.joint.decode.decode_plan import POSITION, JointPlan, TurnGroup
from logger.joint.decode.decode_state import JointState
from logger.joint.decode.found_turns import SAMPLE_NS, find_turns, remember_samples
from logger.joint.decode.joint_rows import JointRows
from logger.joint.decode.turn_memory import (
    CountRows,
    FindPlan,
    FoundSegment,
    Setpoints,
    TurnMemory,
)
from logger.joint.decode.unwrap import UnwrapState

__all__ = ["advance_together"]

_SURE_TURNS: Final = 0.49
"""Below so much of a turn rounding cannot make half a turn of it."""
_USUAL_RAD: Final = min(-channel_named(POSITION).lowest, channel_named(POSITION).highest)


class _Counts(NamedTuple):
    """The k counts of the joints of a group, in order of joint; arrays have length k."""

    places: NDArray[np.intp]
    """The row of each."""
    kind: NDArray[np.intp]
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
    memories: Mapping[int, TurnMemory] = {}
    found: Mapping[int, Sequence[FoundSegment]] = {}
    segments: dict[int, NDArray[np.int32]] = {}
    places, total = counts.places, counts.total
    if group.finds:
        memories, found, segments = _advance_memories(plans, states, rows, extracted, counts)
    position = total.astype(np.float64)
    position *= group.factor[counts.kind]
    if group.has_offset:
        position += group.offset[counts.kind]
    extracted.values[plans[group.joints[0]].position_row][places] = position
    after: dict[int, JointState] = {}
    for joint, first, end in counts.spans:
        state = states[joint]
        newest_segment = state.turns.segment
        if joint in segments:
            segment[places[first:end]] = segments[joint]
            newest_segment = int(segments[joint][-1])
        else:
            segment[places[first:end]] = newest_segment
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
            memories.get(joint, state.memory),
        )
    size = np.abs(position)
    return after, found, size.item(size.argmax()) <= _USUAL_RAD


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
    speed = extracted.values[plans[spans[0][0]].speed_row][places]
    speed /= group.factor[kind]
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
    total = elapsed_ns  # no longer needed
    for joint, first, behind in spans:
        moves[first] += states[joint].turns.total
        np.add.accumulate(moves[first:behind], 0, None, total[first:behind])
    return _Counts(places, kind, time_ns, count, speed, total, spans)


def _advance_memories(
    plans: Sequence[JointPlan],
    states: Sequence[JointState],
    rows: JointRows,
    extracted: Extracted,
    counts: _Counts,
) -> tuple[
    Mapping[int, TurnMemory], Mapping[int, Sequence[FoundSegment]], dict[int, NDArray[np.int32]]
]:
    """Return what is remembered of the joints after these counts, and the segments that are found.

    The third are the segments of the rows of a joint with found ones; its totals become those with
    the turns that were found.
    """
    tenth = counts.time_ns // SAMPLE_NS
    is_sample = np.empty(len(tenth), bool)
    np.not_equal(tenth[1:], tenth[:-1], is_sample[1:])
    for joint, first, _ in counts.spans:
        is_sample[first] = tenth.item(first) != states[joint].turns.time_ns // SAMPLE_NS
    sample_at = is_sample.nonzero()[0]
    column = extracted.values[plans[counts.spans[0][0]].setpoint_row]
    # Only a value that is there equals itself.
    setpoint_at = (column == column).nonzero()[0]  # noqa: PLR0124
    setpoint_row = setpoint_at.tolist()
    setpoint_ns = rows.time_ns[setpoint_at].tolist()
    setpoint_rad = column[setpoint_at].tolist()
    at = sample_at.tolist()
    sample_row = counts.places[sample_at].tolist()
    sample_ns = counts.time_ns[sample_at].tolist()
    sample_total = counts.total[sample_at].tolist()
    sample_speed = counts.speed_counts_s[sample_at].tolist()
    memories: dict[int, TurnMemory] = {}
    found: dict[int, Sequence[FoundSegment]] = {}
    segments: dict[int, NDArray[np.int32]] = {}
    for joint, first, end in counts.spans:
        find, state = plans[joint].find, states[joint]
        if find is None:
            continue
        memory, factor = state.memory, plans[joint].position_scaling.factor
        begin, behind = rows.spans[joint]
        begin, behind = bisect_left(setpoint_row, begin), bisect_left(setpoint_row, behind)
        if memory.lost is not None:
            its_setpoints = setpoint_at[begin:behind]
            total, its_segments, its_found, memories[joint] = _find_turns(
                find,
                state,
                counts,
                Setpoints(
                    row=its_setpoints,
                    time_ns=rows.time_ns[its_setpoints],
                    counts=column[its_setpoints] / factor,
                ),
                first=first,
                end=end,
            )
            if its_found:
                counts.total[first:end] = total
                found[joint], segments[joint] = its_found, its_segments
            continue
        newest_ns = [memory.setpoint_ns, *setpoint_ns[begin:behind]]
        newest = [memory.setpoint, *[rad / factor for rad in setpoint_rad[begin:behind]]]
        its = slice(bisect_left(at, first), bisect_left(at, end))
        # Which is the newest set-point at each sample; 0: that of before these rows.
        number = [bisect_left(setpoint_row, row, begin, behind) - begin for row in sample_row[its]]
        samples = list(
            zip(
                at[its],
                sample_ns[its],
                sample_total[its],
                sample_speed[its],
                [newest[one] for one in number],
                [newest_ns[one] for one in number],
                repeat(False),  # noqa: FBT003 - none of them is a loss
            )
        )
        if samples:
            memories[joint] = remember_samples(find, memory, samples, (newest[-1], newest_ns[-1]))
        elif behind > begin:
            memories[joint] = memory.with_newest(newest[-1], newest_ns[-1])
    return memories, found, segments


def _find_turns(
    plan: FindPlan,
    state: JointState,
    counts: _Counts,
    setpoints: Setpoints,
    *,
    first: int,
    end: int,
) -> tuple[Ints, NDArray[np.int32], Sequence[FoundSegment], TurnMemory]:
    """Return what `find_turns` does, of a joint whose turns were lost before these counts."""
    rows = CountRows(
        row=counts.places[first:end],
        time_ns=counts.time_ns[first:end],
        total=counts.total[first:end],
        segment=np.full(end - first, state.turns.segment, np.int32),
        speed_counts_s=counts.speed_counts_s[first:end],
        broken=None,
    )
    return find_turns(plan, state.memory, rows, setpoints, before=state.turns)
