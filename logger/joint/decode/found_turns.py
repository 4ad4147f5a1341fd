"""Lost turns of a single-turn encoder found again, by the set-points that the joint follows.

A joint that was shown to follow its set-points stands at a fixed distance from them, so a set-point
tells its turns and the encoder the rest of the angle: after a loss its turns are known again where
it stands at the set-point and the angle at which it stood when they were lost (*standstill*), or
has come to rest at two set-points apart, as it had before the loss (*set-points*). A new segment
begins there, in line with the one before the loss, and says so; where this does not hold, after a
silence in which the joint could have been switched off and on (a drive then may count from another
turn), or after a restart that it reports, nothing is guessed: the segment stays one of its own.

What is not enough: the same angle at standstill without a set-point, since moves of whole turns
are common; one set-point, since a joint that is switched off rests anywhere. Pure; any chunking of
a trace gives the same result as the whole.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MIN_NS, Ints
from logger.event_kind import PositionAnchor
from logger.joint.decode.turn_memory import (
    EVIDENCE_NS,
    REST_NS,
    CountRows,
    FindPlan,
    FoundSegment,
    HeldCounts,
    LostTurns,
    Rest,
    Setpoints,
    TurnMemory,
)
from logger.joint.decode.unwrap import UnwrapState

__all__ = ["find_turns", "remember_counts"]

_STILL_TURNS_S: Final = 0.05
"""Turns of the encoder a second below which it stands still."""
_SAME_DISTANCE_TURNS: Final = 0.05
"""Distances from set-points that differ by less are the same."""
_APART_TURNS: Final = 0.25
"""Set-points that differ by more are two."""
_SAMPLE_NS: Final = 100_000_000
"""How far apart the readings are that are looked at."""
_SAME_ANGLE_TURNS: Final = 0.005
"""A joint that did not move reads the same, to the play of its gear at most."""
_Sample = tuple[int, int, int, float, float, int, bool]
"""A reading that is looked at: which of the rows of counts, its time, total and speed, the newest
set-point at it (in counts; NaN: none) and the time of that, whether turns were lost before it. A
plain tuple, as there are ten a second."""


def find_turns(
    plan: FindPlan,
    memory: TurnMemory,
    rows: CountRows,
    setpoints: Setpoints,
    *,
    before: UnwrapState,
) -> tuple[Ints, NDArray[np.int32], Sequence[FoundSegment], TurnMemory]:
    """Return totals and segments with the turns that were found, and the memory after them.

    Parameters
    ----------
    rows
        n >= 1 readings in order of time, in segments as the turns were lost.
    setpoints
        Those among the same rows of the joint.
    before
        The turns at the reading before them.

    Returns
    -------
    total, segment, found, memory
        int64 and int32, shape (n,): found segments begin in between, so the numbers of later ones
        are greater by as many.
    """
    samples = _samples(memory, rows, setpoints, before)
    if not samples:
        return rows.total, rows.segment, (), memory.with_setpoint(setpoints)
    finder = _Finder(plan=plan, memory=memory, rows=rows, before=before)
    newest = memory.with_setpoint(setpoints)
    found_memory = finder.find(samples, (newest.setpoint, newest.setpoint_ns))
    return finder.total, finder.segment, finder.found, found_memory


def remember_counts(plan: FindPlan, memory: TurnMemory, held: Sequence[HeldCounts]) -> TurnMemory:
    """Return the memory of a joint whose turns are known after counts that were held, in order.

    There is at least one.
    """
    rows_of_held = [len(part.row_time_ns) for part in held]
    first_rows = np.cumsum([0, *rows_of_held[:-1]])
    setpoint_rad = np.concatenate([part.setpoint_rad for part in held])
    row = (~np.isnan(setpoint_rad)).nonzero()[0]
    setpoints = Setpoints(
        row=row,
        time_ns=np.concatenate([part.row_time_ns for part in held])[row],
        counts=setpoint_rad[row] / plan.rad_per_count,
    )
    time_ns = np.concatenate([part.time_ns for part in held])
    counts = CountRows(
        row=np.concatenate(
            [
                part.row + (first_row - part.first_row)
                for part, first_row in zip(held, first_rows, strict=True)
            ]
        ),
        time_ns=time_ns,
        total=np.concatenate([part.total for part in held]),
        segment=np.zeros(len(time_ns), np.int32),
        speed_counts_s=np.concatenate([part.speed_counts_s for part in held]),
        broken=None,
    )
    before = UnwrapState(time_ns=held[0].before_ns, segment=0)
    return find_turns(plan, memory, counts, setpoints, before=before)[-1]


def _samples(
    memory: TurnMemory, rows: CountRows, setpoints: Setpoints, before: UnwrapState
) -> Sequence[_Sample]:
    """Return the first reading in each tenth of a second, and each before which turns were lost.

    All of them would cost as much as decoding them.
    """
    tenth = rows.time_ns // _SAMPLE_NS
    is_sample = np.empty(len(tenth), bool)
    is_sample[0] = tenth[0] != before.time_ns // _SAMPLE_NS
    is_sample[1:] = tenth[1:] != tenth[:-1]
    is_loss = np.zeros(len(tenth), bool)
    if rows.segment[-1] != before.segment:  # segments only count up
        is_loss = np.diff(rows.segment, prepend=np.int32(before.segment)) > 0
        is_sample |= is_loss
    row = is_sample.nonzero()[0]
    if not len(row):
        return ()
    newest = setpoints.row.searchsorted(rows.row[row], "right")
    return list(
        zip(
            row.tolist(),
            rows.time_ns[row].tolist(),
            rows.total[row].tolist(),
            rows.speed_counts_s[row].tolist(),
            np.append(memory.setpoint, setpoints.counts)[newest].tolist(),
            np.append(np.int64(memory.setpoint_ns), setpoints.time_ns)[newest].tolist(),
            is_loss[row].tolist(),
            strict=True,
        )
    )


class _Finder:
    """Goes through the samples: few, so that one after the other costs less than arrays of them."""

    __slots__ = (
        "_before",
        "_lost",
        "_memory",
        "_plan",
        "_rests",
        "_rows",
        "_samples",
        "_segment_since_ns",
        "found",
        "segment",
        "total",
    )

    def __init__(
        self, *, plan: FindPlan, memory: TurnMemory, rows: CountRows, before: UnwrapState
    ) -> None:
        self._plan, self._memory, self._rows, self._before = plan, memory, rows, before
        self._segment_since_ns = memory.segment_since_ns
        self._rests, self._lost = memory.rests, memory.lost
        self._samples: Sequence[_Sample] = ()
        self.total, self.segment = rows.total, rows.segment
        self.found: list[FoundSegment] = []

    def find(self, samples: Sequence[_Sample], newest: tuple[float, int]) -> TurnMemory:
        """Remember rests and losses, begin the segments whose turns are found; return the memory.

        `newest`: the newest set-point after all readings, and its time.
        """
        plan, memory, self._samples = self._plan, self._memory, samples
        limit_counts_s = _STILL_TURNS_S * plan.modulus
        hold_ns = plan.hold_ns
        sample_ns, sample_total = memory.sample_ns, memory.sample_total
        previous_setpoint, is_judged = memory.sample_setpoint, memory.is_judged
        still_since_ns = memory.still_since_ns
        at_rest: _Sample | None = None
        for sample in samples:
            _, time_ns, total, speed, setpoint, setpoint_ns, is_loss = sample
            if (
                setpoint != previous_setpoint
                # A speed that is unknown is not known to be one.
                or speed > limit_counts_s
                or speed < -limit_counts_s
                or is_loss
                or abs(total - sample_total) > 1 + limit_counts_s * (time_ns - sample_ns) * 1e-9
            ):
                if at_rest is not None:
                    self._rest(at_rest, still_since_ns)
                    at_rest = None
                if is_loss:
                    self._lose(sample, sample_ns, still_since_ns)
                still_since_ns, is_judged = time_ns, False
            # A set-point that was read before it stood still may be another by now.
            elif time_ns - still_since_ns >= REST_NS and (
                still_since_ns <= setpoint_ns >= time_ns - hold_ns
            ):
                at_rest = sample
                if not is_judged:
                    is_judged = True
                    self._judge(sample, self._rest(sample, still_since_ns))
            sample_ns, sample_total, previous_setpoint = time_ns, total, setpoint
        if at_rest is not None:
            self._rest(at_rest, still_since_ns)
        return TurnMemory(
            sample_ns,
            self._total_at(samples[-1]),
            previous_setpoint,
            *newest,
            memory.newest_ns,
            memory.newest_total,
            still_since_ns,
            is_judged,
            self._segment_since_ns,
            self._rests,
            self._lost,
        )

    def _total_at(self, sample: _Sample) -> int:
        """Return the total at a sample, in line with what was found before it."""
        row, _, total, *_ = sample
        return int(self.total[row]) if self.found else total

    def _count_before(self, row: int) -> tuple[int, int]:
        """Return time and total of the count before a row."""
        if row:
            return int(self._rows.time_ns[row - 1]), int(self.total[row - 1])
        if self._before.time_ns != TIME_MIN_NS:
            return self._before.time_ns, self._before.total
        return self._memory.newest_ns, self._memory.newest_total

    def _lose(self, sample: _Sample, sampled_ns: int, still_since_ns: int) -> None:
        """Remember what was known before the turns were lost; `sampled_ns`: the sample before."""
        rows, (row, time_ns, *_) = self._rows, sample
        is_first = self._before.segment < 0 and row == 0
        newest_ns, total = self._count_before(row)
        was_on = time_ns - newest_ns <= self._plan.within_ns and not (
            rows.broken is not None and rows.broken[row]
        )
        lost: LostTurns | None = None
        if was_on and not is_first:
            newest = self._rests[-1] if self._rests else None
            if self._lost is not None:
                has_moved = still_since_ns != self._lost.since_ns
                lost = replace(
                    self._lost,
                    since_ns=time_ns,
                    setpoint=math.nan if has_moved else self._lost.setpoint,
                )
            else:
                was_still = newest is not None and newest.last_ns == sampled_ns
                lost = LostTurns(
                    since_ns=time_ns,
                    distance=self._followed_distance(newest_ns),
                    setpoint=newest.setpoint if was_still and newest is not None else math.nan,
                    total=total,
                    rests=self._rests,
                )
        self._rests, self._lost, self._segment_since_ns = (), lost, time_ns

    def _rest(self, sample: _Sample, since_ns: int) -> Rest:
        """Remember that it is at rest at a sample."""
        _, time_ns, _, _, setpoint, setpoint_ns, _ = sample
        distance = self._total_at(sample) - setpoint
        rest = Rest(setpoint, distance, since_ns, time_ns, setpoint_ns)
        rests = self._rests
        self._rests = (
            # It rests on, at the same set-point: what is apart from that is the same as well.
            (*rests[:-1], rest)
            if rests and rests[-1].since_ns == rest.since_ns
            else self._apart_from(rest, rests)
        )
        return rest

    def _apart_from(self, rest: Rest, earlier: Sequence[Rest]) -> tuple[Rest, ...]:
        """Return a rest behind the newest of the earlier ones at a set-point apart from it."""
        limit = _APART_TURNS * self._plan.modulus
        apart = [one for one in earlier if abs(one.setpoint - rest.setpoint) >= limit]
        return (*apart[-1:], rest)

    def _judge(self, sample: _Sample, rest: Rest) -> None:
        """Find the turns at a rest, if they are lost and can be known."""
        lost = self._lost
        if lost is None:
            return
        modulus = self._plan.modulus
        if rest.since_ns == lost.since_ns and rest.setpoint == lost.setpoint:
            apart = self._total_at(sample) - lost.total
            nearest = (apart + modulus // 2) % modulus - modulus // 2
            if abs(nearest) <= _SAME_ANGLE_TURNS * modulus:
                self._begin_segment(sample, nearest - apart, PositionAnchor.STANDSTILL, lost)
                return
        distance = self._followed_distance(rest.last_ns)
        if math.isnan(distance) or math.isnan(lost.distance):
            return
        turns = round((lost.distance - distance) / modulus)
        if abs(lost.distance - distance - turns * modulus) <= _SAME_DISTANCE_TURNS * modulus:
            self._begin_segment(sample, turns * modulus, PositionAnchor.SETPOINTS, lost)
        else:
            # It follows set-points from another zero: where it was is not known any more.
            self._lost = None

    def _followed_distance(self, now_ns: int) -> float:
        """Return the distance from its set-points, NaN where it was not shown to follow them."""
        if len(self._rests) < 2:
            return math.nan
        older, newest = self._rests
        is_same = abs(older.distance - newest.distance) <= _SAME_DISTANCE_TURNS * self._plan.modulus
        is_new = now_ns - older.last_ns <= EVIDENCE_NS
        return newest.distance if is_same and is_new else math.nan

    def _begin_segment(
        self, sample: _Sample, shift: int, anchor: PositionAnchor, lost: LostTurns
    ) -> None:
        row, time_ns, *_ = sample
        # The next loss begins with the raw count again, as in any other batch.
        losses = (loss for loss, *_, is_loss in self._samples if is_loss)
        end = next((loss for loss in losses if loss > row), len(self.total))
        self.total, self.segment = self.total.copy(), self.segment.copy()
        self.total[row:end] += shift
        self.segment[row:] += np.int32(1)
        self.found.append(
            FoundSegment(time_ns=time_ns, segment=int(self.segment[row]), anchor=anchor)
        )
        *rests, newest = (rest._replace(distance=rest.distance + shift) for rest in self._rests)
        # Those of before the loss are of the same line again.
        self._rests = self._apart_from(newest, [*lost.rests, *rests])
        self._lost, self._segment_since_ns = None, time_ns
