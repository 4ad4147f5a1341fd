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

__all__ = [
    "EVIDENCE_NS",
    "REST_NS",
    "CountRows",
    "FindPlan",
    "FoundSegment",
    "TurnMemory",
    "find_turns",
]

REST_NS: Final = 250_000_000
"""For so long a joint has to stand still to be at rest."""
EVIDENCE_NS: Final = 600_000_000_000
"""How old a rest may be that is evidence: so much is read again where a recording is resumed."""
_STILL_TURNS_S: Final = 0.05
"""Turns of the encoder a second below which it stands still."""
_SAME_DISTANCE_TURNS: Final = 0.05
"""Distances from set-points that differ by less are the same."""
_APART_TURNS: Final = 0.25
"""Set-points that differ by more are two."""
_SAME_ANGLE_TURNS: Final = 0.005
"""A joint that did not move reads the same, to the play of its gear at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindPlan:
    """What is fixed for one joint."""

    modulus: int
    """Counts of one turn of the encoder."""
    hold_ns: int
    """How long a set-point holds."""
    within_ns: int
    """The longest silence in which the joint cannot have been switched off and on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountRows:
    """n readings of an encoder, unwrapped; every array has length n."""

    time_ns: Ints
    total: Ints
    segment: NDArray[np.int32]
    speed_counts_s: Floats
    """NaN where it is not known."""
    setpoint: Floats
    """The newest set-point of the position at each, in counts; NaN before the first."""
    setpoint_ns: Ints
    """When that was read."""
    broken: NDArray[np.bool_] | None
    """Before these the joint was switched on again; None: never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSegment:
    """A segment that continues the one before the turns were lost."""

    time_ns: int
    segment: int
    anchor: PositionAnchor


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rest:
    setpoint: float
    distance: float
    """Counts from the set-point to where it stood."""
    since_ns: int
    last_ns: int
    setpoint_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lost:
    """What was known when the turns were lost."""

    since_ns: int
    """The first reading after the newest loss."""
    distance: float
    """From the set-points that it followed; NaN: it was not shown to follow them."""
    setpoint: float
    """At which it stood; NaN: it moved, or has moved since."""
    total: int
    rests: tuple[_Rest, ...]
    """Before the loss."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnMemory:
    """What is remembered of a joint between two batches of readings."""

    time_ns: int = TIME_MIN_NS
    """The newest reading of the encoder."""
    total: int = 0
    count_setpoint: float = math.nan
    """The set-point at that reading, in counts."""
    setpoint: float = math.nan
    """The newest set-point, which may have come since."""
    setpoint_ns: int = TIME_MIN_NS
    still_since_ns: int = TIME_MIN_NS
    """It stands still since then, at one set-point."""
    is_judged: bool = False
    """This standstill was long enough, and what follows from it was looked at."""
    segment_since_ns: int = TIME_MIN_NS
    rests: tuple[_Rest, ...] = ()
    """The newest, and before it one at a set-point apart; of this segment and its like."""
    lost: _Lost | None = None

    def after_restart(self) -> "TurnMemory":
        """Return what a recorder that resumes the recording reads back from its newest segment."""
        since_ns = self.segment_since_ns
        rests = (replace(rest, since_ns=max(rest.since_ns, since_ns)) for rest in self.rests)
        return replace(
            self,
            still_since_ns=max(self.still_since_ns, since_ns),
            is_judged=False,
            rests=tuple(
                rest
                for rest in rests
                if rest.last_ns - rest.since_ns >= REST_NS
                and rest.setpoint_ns >= rest.since_ns
                and self.time_ns - rest.last_ns <= EVIDENCE_NS
            ),
            lost=None,
        )


def find_turns(
    plan: FindPlan, memory: TurnMemory, rows: CountRows, *, previous_segment: int
) -> tuple[Ints, NDArray[np.int32], list[FoundSegment], TurnMemory]:
    """Return totals and segments with the turns that were found, and the memory after them.

    Parameters
    ----------
    memory
        After the previous rows; its newest set-point is that after these.
    rows
        n >= 1 readings in order of time, in segments as the turns were lost.
    previous_segment
        The segment of the reading before them, -1: there was none.

    Returns
    -------
    total, segment, found, memory
        int64 and int32, shape (n,): found segments begin in between, so the numbers of later ones
        are greater by as many. `memory.total` is of these totals.
    """
    lost = np.diff(rows.segment, prepend=np.int32(previous_segment)) > 0
    still_since_ns, run, is_at_rest = _rests(plan, memory, rows, lost)
    at_rest = np.flatnonzero(is_at_rest)
    _, first = np.unique(run[at_rest], return_index=True)
    firsts = at_rest[first]
    lasts = at_rest[np.append(first[1:], len(at_rest))[: len(first)] - 1]
    if memory.is_judged and len(firsts) and run[firsts[0]] < 0:
        firsts = firsts[1:]
    loss_rows = np.flatnonzero(lost)
    finder = _Finder(plan, memory, rows, still_since_ns, loss_rows)
    judged, losses = set(firsts.tolist()), set(loss_rows.tolist())
    for row in sorted(judged | losses | set(lasts.tolist())):
        if row in losses:
            finder.lose(row, is_first=previous_segment < 0 and row == 0)
        if is_at_rest[row]:
            finder.rest(row, is_judged=row in judged)
    is_judged = bool((run[at_rest] == run[-1]).any() or (run[-1] < 0 and memory.is_judged))
    return (
        finder.total,
        finder.segment,
        finder.found,
        replace(
            finder.memory,
            time_ns=int(rows.time_ns[-1]),
            total=int(finder.total[-1]),
            count_setpoint=float(rows.setpoint[-1]),
            still_since_ns=int(still_since_ns[-1]),
            is_judged=is_judged,
        ),
    )


def _rests(
    plan: FindPlan, memory: TurnMemory, rows: CountRows, lost: NDArray[np.bool_]
) -> tuple[Ints, NDArray[np.intp], NDArray[np.bool_]]:
    """Return since when it stands still at each row, the row at which that began, and its rests.

    Shape (n,) each; the row is -1 where it began before these.
    """
    time_ns, setpoint = rows.time_ns, rows.setpoint
    elapsed_s = np.diff(time_ns, prepend=np.int64(memory.time_ns)) * 1e-9
    moved = np.abs(np.diff(rows.total, prepend=np.int64(memory.total)))
    limit_counts_s = _STILL_TURNS_S * plan.modulus
    is_still = ~lost & (moved <= 1 + limit_counts_s * elapsed_s)
    is_still &= setpoint == np.append(memory.count_setpoint, setpoint[:-1])
    is_still &= ~(np.abs(rows.speed_counts_s) > limit_counts_s)  # of an unknown speed: still
    run = np.maximum.accumulate(np.where(is_still, -1, np.arange(len(time_ns))))
    still_since_ns = np.where(run < 0, memory.still_since_ns, time_ns[run])
    is_at_rest = time_ns - still_since_ns >= REST_NS
    # A set-point that was read before it stood still may be another by now.
    is_at_rest &= (rows.setpoint_ns >= still_since_ns) & (
        time_ns - rows.setpoint_ns <= plan.hold_ns
    )
    return still_since_ns, run, is_at_rest


class _Finder:
    """Goes through the rows at which something is lost, or the joint is at rest."""

    def __init__(
        self,
        plan: FindPlan,
        memory: TurnMemory,
        rows: CountRows,
        still_since_ns: Ints,
        loss_rows: NDArray[np.intp],
    ) -> None:
        self._plan, self._rows, self._still_since_ns = plan, rows, still_since_ns
        self._loss_rows = loss_rows
        self._before = memory
        self.memory = memory
        self.total = rows.total.copy()
        self.segment = rows.segment.copy()
        self.found: list[FoundSegment] = []

    def lose(self, row: int, *, is_first: bool) -> None:
        """Remember what was known before the turns were lost at a row."""
        rows, memory = self._rows, self.memory
        time_ns = int(rows.time_ns[row])
        before = self._before
        newest_ns, total, still_ns = (
            (int(rows.time_ns[row - 1]), int(self.total[row - 1]), self._still_since_ns[row - 1])
            if row
            else (before.time_ns, before.total, before.still_since_ns)
        )
        was_on = time_ns - newest_ns <= self._plan.within_ns and not (
            rows.broken is not None and rows.broken[row]
        )
        lost: _Lost | None = None
        if was_on and not is_first:
            newest = memory.rests[-1] if memory.rests else None
            if memory.lost is not None:
                has_moved = still_ns != memory.lost.since_ns
                lost = replace(
                    memory.lost,
                    since_ns=time_ns,
                    setpoint=math.nan if has_moved else memory.lost.setpoint,
                )
            else:
                was_still = newest is not None and newest.last_ns == newest_ns
                lost = _Lost(
                    since_ns=time_ns,
                    distance=self._followed_distance(newest_ns),
                    setpoint=newest.setpoint if was_still and newest is not None else math.nan,
                    total=total,
                    rests=memory.rests,
                )
        self.memory = replace(memory, rests=(), lost=lost, segment_since_ns=time_ns)

    def rest(self, row: int, *, is_judged: bool) -> None:
        """Remember that it is at rest at a row; find its turns if they are lost, when judged."""
        rows = self._rows
        rest = _Rest(
            setpoint=float(rows.setpoint[row]),
            distance=float(self.total[row] - rows.setpoint[row]),
            since_ns=int(self._still_since_ns[row]),
            last_ns=int(rows.time_ns[row]),
            setpoint_ns=int(rows.setpoint_ns[row]),
        )
        rests = self.memory.rests
        if rests and rests[-1].since_ns == rest.since_ns:
            rests = rests[:-1]
        self.memory = replace(self.memory, rests=self._apart_from(rest, rests))
        if is_judged and self.memory.lost is not None:
            self._judge(row, rest, self.memory.lost)

    def _apart_from(self, rest: _Rest, earlier: Sequence[_Rest]) -> tuple[_Rest, ...]:
        """Return a rest behind the newest of the earlier ones at a set-point apart from it."""
        limit = _APART_TURNS * self._plan.modulus
        apart = [one for one in earlier if abs(one.setpoint - rest.setpoint) >= limit]
        return (*apart[-1:], rest)

    def _judge(self, row: int, rest: _Rest, lost: _Lost) -> None:
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

    def _begin_segment(self, row: int, shift: int, anchor: PositionAnchor, lost: _Lost) -> None:
        # The next loss begins with the raw count again, as in any other batch.
        next_loss = np.searchsorted(self._loss_rows, row, "right")
        end = self._loss_rows[next_loss] if next_loss < len(self._loss_rows) else len(self.total)
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
