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
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MIN_NS, Floats, Ints
from logger.event_kind import PositionAnchor
from logger.joint.decode.turn_memory import (
    EVIDENCE_NS,
    REST_NS,
    CountRows,
    FindPlan,
    FoundSegment,
    LostTurns,
    Rest,
    Setpoints,
    TurnMemory,
)
from logger.joint.decode.unwrap import UnwrapState

__all__ = ["find_turns"]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Samples:
    """The k rows that are looked at, and what was at each; every array has length k."""

    row: NDArray[np.intp]
    """Which of the rows of counts."""
    time_ns: Ints
    total: Ints
    speed_counts_s: Floats
    setpoint: Floats
    setpoint_ns: Ints
    is_loss: NDArray[np.bool_]


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
    if samples is None:
        return rows.total, rows.segment, (), memory.with_setpoint(setpoints)
    finder = _Finder(plan=plan, memory=memory, rows=rows, samples=samples, before=before)
    finder.find()
    return finder.total, finder.segment, finder.found, finder.memory.with_setpoint(setpoints)


def _samples(
    memory: TurnMemory, rows: CountRows, setpoints: Setpoints, before: UnwrapState
) -> _Samples | None:
    """Return the first reading in each tenth of a second, and each before which turns were lost.

    All of them would cost as much as decoding them.
    """
    tenth = rows.time_ns // _SAMPLE_NS
    is_sample = np.empty(len(tenth), bool)
    is_sample[0] = tenth[0] != before.time_ns // _SAMPLE_NS
    is_sample[1:] = tenth[1:] != tenth[:-1]
    is_loss: NDArray[np.bool_] | None = None
    if rows.segment[-1] != before.segment:  # segments only count up
        is_loss = np.diff(rows.segment, prepend=np.int32(before.segment)) > 0
        is_sample |= is_loss
    row = is_sample.nonzero()[0]
    if not len(row):
        return None
    newest = setpoints.row.searchsorted(rows.row[row], "right")
    return _Samples(
        row=row,
        time_ns=rows.time_ns[row],
        total=rows.total[row],
        speed_counts_s=rows.speed_counts_s[row],
        setpoint=np.append(memory.setpoint, setpoints.counts)[newest],
        setpoint_ns=np.append(np.int64(memory.setpoint_ns), setpoints.time_ns)[newest],
        is_loss=np.zeros(len(row), bool) if is_loss is None else is_loss[row],
    )


class _Finder:
    """Goes through the samples: few, so that one after the other costs less than arrays of them."""

    def __init__(
        self,
        *,
        plan: FindPlan,
        memory: TurnMemory,
        rows: CountRows,
        samples: _Samples,
        before: UnwrapState,
    ) -> None:
        self._plan, self._rows, self._samples = plan, rows, samples
        self._before = before
        self._still_since_ns = memory.still_since_ns
        self.memory = memory
        self.total, self.segment = rows.total, rows.segment
        self.found: list[FoundSegment] = []

    def find(self) -> None:
        """Remember rests and losses; begin the segments whose turns are found."""
        samples, memory = self._samples, self.memory
        limit_counts_s = _STILL_TURNS_S * self._plan.modulus
        sample_ns, sample_total = memory.sample_ns, memory.sample_total
        previous_setpoint, is_judged, at_rest = memory.sample_setpoint, memory.is_judged, -1
        for sample, (time_ns, total, speed, setpoint, setpoint_ns, is_loss) in enumerate(
            zip(
                samples.time_ns.tolist(),
                samples.total.tolist(),
                samples.speed_counts_s.tolist(),
                samples.setpoint.tolist(),
                samples.setpoint_ns.tolist(),
                samples.is_loss.tolist(),
                strict=True,
            )
        ):
            allowed = 1 + limit_counts_s * (time_ns - sample_ns) * 1e-9
            if (
                is_loss
                or setpoint != previous_setpoint
                or abs(total - sample_total) > allowed
                or abs(speed) > limit_counts_s  # an unknown one is not known to be
            ):
                self._rest(at_rest)
                at_rest = -1
                if is_loss:
                    self._lose(sample, sample_ns)
                self._still_since_ns, is_judged = time_ns, False
            # A set-point that was read before it stood still may be another by now.
            elif time_ns - self._still_since_ns >= REST_NS and (
                self._still_since_ns <= setpoint_ns >= time_ns - self._plan.hold_ns
            ):
                at_rest = sample
                if not is_judged:
                    is_judged = True
                    self._judge(sample, self._rest(sample))
            sample_ns, sample_total, previous_setpoint = time_ns, total, setpoint
        self._rest(at_rest)
        self.memory = replace(
            self.memory,
            sample_ns=sample_ns,
            sample_total=int(self.total[samples.row[-1]]),
            sample_setpoint=previous_setpoint,
            still_since_ns=self._still_since_ns,
            is_judged=is_judged,
        )

    def _count_before(self, row: int) -> tuple[int, int]:
        """Return time and total of the count before a row."""
        if row:
            return int(self._rows.time_ns[row - 1]), int(self.total[row - 1])
        if self._before.time_ns != TIME_MIN_NS:
            return self._before.time_ns, self._before.total
        return self.memory.newest_ns, self.memory.newest_total

    def _lose(self, sample: int, sampled_ns: int) -> None:
        """Remember what was known before the turns were lost; `sampled_ns`: the sample before."""
        rows, memory, row = self._rows, self.memory, int(self._samples.row[sample])
        is_first = self._before.segment < 0 and row == 0
        time_ns = int(rows.time_ns[row])
        newest_ns, total = self._count_before(row)
        was_on = time_ns - newest_ns <= self._plan.within_ns and not (
            rows.broken is not None and rows.broken[row]
        )
        lost: LostTurns | None = None
        if was_on and not is_first:
            newest = memory.rests[-1] if memory.rests else None
            if memory.lost is not None:
                has_moved = self._still_since_ns != memory.lost.since_ns
                lost = replace(
                    memory.lost,
                    since_ns=time_ns,
                    setpoint=math.nan if has_moved else memory.lost.setpoint,
                )
            else:
                was_still = newest is not None and newest.last_ns == sampled_ns
                lost = LostTurns(
                    since_ns=time_ns,
                    distance=self._followed_distance(newest_ns),
                    setpoint=newest.setpoint if was_still and newest is not None else math.nan,
                    total=total,
                    rests=memory.rests,
                )
        self.memory = replace(memory, rests=(), lost=lost, segment_since_ns=time_ns)

    def _rest(self, sample: int) -> Rest | None:
        """Remember that it is at rest at a sample; -1: it is not."""
        if sample < 0:
            return None
        samples, row = self._samples, int(self._samples.row[sample])
        rest = Rest(
            setpoint=float(samples.setpoint[sample]),
            distance=float(self.total[row] - samples.setpoint[sample]),
            since_ns=self._still_since_ns,
            last_ns=int(samples.time_ns[sample]),
            setpoint_ns=int(samples.setpoint_ns[sample]),
        )
        rests = self.memory.rests
        if rests and rests[-1].since_ns == rest.since_ns:
            rests = rests[:-1]
        self.memory = replace(self.memory, rests=self._apart_from(rest, rests))
        return rest

    def _apart_from(self, rest: Rest, earlier: Sequence[Rest]) -> tuple[Rest, ...]:
        """Return a rest behind the newest of the earlier ones at a set-point apart from it."""
        limit = _APART_TURNS * self._plan.modulus
        apart = [one for one in earlier if abs(one.setpoint - rest.setpoint) >= limit]
        return (*apart[-1:], rest)

    def _judge(self, sample: int, rest: Rest | None) -> None:
        """Find the turns at a rest, if they are lost and can be known."""
        lost, row = self.memory.lost, int(self._samples.row[sample])
        if lost is None or rest is None:
            return
        modulus = self._plan.modulus
        if rest.since_ns == lost.since_ns and rest.setpoint == lost.setpoint:
            apart = int(self.total[row]) - lost.total
            nearest = (apart + modulus // 2) % modulus - modulus // 2
            if abs(nearest) <= _SAME_ANGLE_TURNS * modulus:
                self._begin_segment(row, nearest - apart, PositionAnchor.STANDSTILL, lost)
                return
        distance = self._followed_distance(rest.last_ns)
        if math.isnan(distance) or math.isnan(lost.distance):
            return
        turns = round((lost.distance - distance) / modulus)
        if abs(lost.distance - distance - turns * modulus) <= _SAME_DISTANCE_TURNS * modulus:
            self._begin_segment(row, turns * modulus, PositionAnchor.SETPOINTS, lost)
        else:
            # It follows set-points from another zero: where it was is not known any more.
            self.memory = replace(self.memory, lost=None)

    def _followed_distance(self, now_ns: int) -> float:
        """Return the distance from its set-points, NaN where it was not shown to follow them."""
        if len(self.memory.rests) < 2:
            return math.nan
        older, newest = self.memory.rests
        is_same = abs(older.distance - newest.distance) <= _SAME_DISTANCE_TURNS * self._plan.modulus
        is_new = now_ns - older.last_ns <= EVIDENCE_NS
        return newest.distance if is_same and is_new else math.nan

    def _begin_segment(self, row: int, shift: int, anchor: PositionAnchor, lost: LostTurns) -> None:
        # The next loss begins with the raw count again, as in any other batch.
        losses = self._samples.row[self._samples.is_loss]
        end = next((int(loss) for loss in losses if loss > row), len(self.total))
        self.total, self.segment = self.total.copy(), self.segment.copy()
        self.total[row:end] += shift
        self.segment[row:] += np.int32(1)
        time_ns = int(self._rows.time_ns[row])
        self.found.append(
            FoundSegment(time_ns=time_ns, segment=int(self.segment[row]), anchor=anchor)
        )
        *rests, newest = (
            replace(rest, distance=rest.distance + shift) for rest in self.memory.rests
        )
        self.memory = replace(
            self.memory,
            # Those of before the loss are of the same line again.
            rests=self._apart_from(newest, [*lost.rests, *rests]),
            lost=None,
            segment_since_ns=time_ns,
        )
