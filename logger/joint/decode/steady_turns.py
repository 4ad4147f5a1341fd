"""The turns of several joints at once, where none can have been lost. Pure.

Nearly every batch is so: each count lies close to the one before, and no shaft went further
than half a turn in between. Then the nearest move is the move, whatever `unwrap_counts` would look
at, and one pass over the counts of all joints that count alike comes to the same. Where that is not
certain, nothing is done, and `encoder_position` goes through the joints one by one.
"""

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
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
    memories: Mapping[int, TurnMemory] = {}
    found: Mapping[int, Sequence[FoundSegment]] = {}
    segments: dict[int, NDArray[np.int32]] = {}
    places, total = counts.places, counts.total
    if group.finds:
        memories, found, segments = _advance_memories(
            group, plans, states, rows, extracted, counts=counts
        )
    position = total.astype(np.float64)
    position *= counts.factor
    if group.has_offset:
        position += group.offset[counts.kind]
    extracted.values[group.position_row][places] = position
    after: dict[int, JointState] = {}
    is_usual = True
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


def _advance_memories(
    group: TurnGroup,
    plans: Sequence[JointPlan],
    states: Sequence[JointState],
    rows: JointRows,
    extracted: Extracted,
    *,
    counts: _Counts,
) -> tuple[
    Mapping[int, TurnMemory], Mapping[int, Sequence[FoundSegment]], dict[int, NDArray[np.int32]]
]:
    """Return what is remembered of the joints after these counts, and the segments that are found.

    The third are the segments of the rows of a joint with found ones; its totals become those with
    the turns that were found.
    """
    column = extracted.values[group.setpoint_row]
    # Only a value that is there equals itself.
    setpoint_at = (column == column).nonzero()[0]  # noqa: PLR0124
    setpoint_row = setpoint_at.tolist()
    setpoint_ns = rows.time_ns[setpoint_at].tolist()
    setpoint_rad = column[setpoint_at].tolist()
    memories: dict[int, TurnMemory] = {}
    found: dict[int, Sequence[FoundSegment]] = {}
    segments: dict[int, NDArray[np.int32]] = {}
    for joint, first, end in counts.spans:
        find, state = plans[joint].find, states[joint]
        if find is None:
            continue
        memory, factor = state.memory, plans[joint].position_scaling.factor
        begin, stop = rows.spans[joint]
        begin, stop = bisect_left(setpoint_row, begin), bisect_left(setpoint_row, stop)
        if memory.lost is not None:
            its_setpoints = setpoint_at[begin:stop]
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
        # Set-points and their times; first the newest of those before these rows.
        newest = [memory.setpoint, *[rad / factor for rad in setpoint_rad[begin:stop]]]
        newest_ns = [memory.setpoint_ns, *setpoint_ns[begin:stop]]
        samples = []
        for at in _sample_places(counts.time_ns[first:end], state.turns.time_ns):
            place = first + at
            setpoint = bisect_left(setpoint_row, counts.places.item(place), begin, stop) - begin
            samples.append(
                (
                    at,
                    counts.time_ns.item(place),
                    counts.total.item(place),
                    counts.speed_counts_s.item(place),
                    newest[setpoint],
                    newest_ns[setpoint],
                    False,
                )
            )
        if samples:
            memories[joint] = remember_samples(find, memory, samples, (newest[-1], newest_ns[-1]))
        elif stop > begin:
            memories[joint] = memory.with_newest(newest[-1], newest_ns[-1])
    return memories, found, segments


def _sample_places(time_ns: Ints, before_ns: int) -> list[int]:
    """Return which readings are the first in a tenth of a second; the one before is given."""
    tenths = range(before_ns // SAMPLE_NS + 1, time_ns.item(-1) // SAMPLE_NS + 1)
    if not tenths:
        return []
    places: list[int] = time_ns.searchsorted([tenth * SAMPLE_NS for tenth in tenths]).tolist()
    # A tenth without a reading has the place of the next one that has.
    return list(dict.fromkeys(places))


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
