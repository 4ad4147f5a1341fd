"""A limit taken over a trace from one place that can change something to the next. Pure.

What the readings there make of the limit is hysteresis.py's, the code that runs live; here it is
only decided which readings it is shown. Between two such places no delay is running, so what lies
between makes no difference to when anything is raised or returns (it does to the peak, which is
not told here).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.limits.hysteresis import LevelState, step
from logger.limits.kind import Scores, Timed
from replay.evaluation.alert_arrays import Flips, flips_of
from replay.evaluation.candidate_buckets import may_complete

__all__ = ["Course", "course_of", "flipped", "walk"]

_FIRST: Final = 4
"""Buckets that are looked at first where something may change; then twice as many each time."""
_MOST: Final = 512
_READINGS: Final = 1024
"""Readings in a bucket of a trace that is in memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The scores of a stretch of a trace as m buckets, in order of time."""

    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]
    low: NDArray[np.float64]
    """At most the lowest score in each."""
    high: NDArray[np.float64]
    """At least the highest."""
    low_had: NDArray[np.float64]
    """At least the lowest: a score that one of the readings has, as low as is known of any."""
    high_had: NDArray[np.float64]
    """At most the highest, likewise."""
    hold_ns: int
    scores: Callable[[int, int], tuple[NDArray[np.int64], NDArray[np.float64]]]
    """(first, stop) -> times and scores of all readings in the buckets [first, stop)."""


def course_of(scores: Scores) -> Course:
    """Return scores that are in memory as a course."""
    time_ns, score = scores.time_ns, scores.score
    n = len(score)
    first = np.arange(0, n, _READINGS)
    last = np.minimum(first + _READINGS, n) - 1

    def of(begin: int, stop: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        rows = slice(begin * _READINGS, stop * _READINGS)
        return time_ns[rows], score[rows]

    # A reading without a score (NaN) is on no side, and must not hide those beside it.
    low = np.fmin.reduceat(score, first) if n else np.empty(0)
    high = np.fmax.reduceat(score, first) if n else np.empty(0)
    return Course(
        start_ns=time_ns[first],
        end_ns=time_ns[last] + 1,
        low=low,
        high=high,
        low_had=low,
        high_had=high,
        hold_ns=scores.hold_ns,
        scores=of,
    )


def walk(
    limit: Timed,
    state: LevelState,
    course: Course,
    *,
    pick_up: float,
    drop_off: float,
    joint: str,
) -> tuple[list[Flips], LevelState]:
    """Return what is raised and returns over a course, and the state behind it.

    The peak of the state is one of the readings that were looked at.
    """
    found: list[Flips] = []
    count = len(course.low)
    places: dict[bool, NDArray[np.intp]] = {}
    at, ahead = 0, _FIRST
    while at < count:
        if state.pending_ns is None:
            if state.active not in places:
                places[state.active] = _places(
                    limit, course, pick_up=pick_up, drop_off=drop_off, clearing=state.active
                )
            ahead_of = places[state.active]
            place = int(np.searchsorted(ahead_of, at))
            if place == len(ahead_of):
                break
            ahead = _FIRST if ahead_of[place] > at else ahead
            at = int(ahead_of[place])
        stop = min(at + ahead, count)
        time_ns, score = course.scores(at, stop)
        flips, state = flipped(
            limit,
            state,
            Scores(
                time_ns=time_ns,
                rows=None,
                score=score,
                told=score,
                pick_up=pick_up,
                drop_off=drop_off,
                hold_ns=course.hold_ns,
            ),
            joint=joint,
        )
        found += flips
        at, ahead = stop, min(2 * ahead, _MOST)
    return found, state


def flipped(
    limit: Timed, state: LevelState, scores: Scores, *, joint: str
) -> tuple[list[Flips], LevelState]:
    """Return what scores change about a limit, and the state behind them.

    With delays by hysteresis.py. Without any a reading on one side decides by itself, gaps make no
    difference and nothing is ever pending, so that arrays tell it: a limit that chatters a hundred
    thousand times a day costs no more than one that does not.
    """
    if limit.on_delay_s > 0 or limit.off_delay_s > 0:
        changes, state = step(limit, state, scores, joint=joint)
        return flips_of([change for _, change in changes]), state
    score = scores.score
    if len(score) == 0:
        return [], state
    if (
        float(score.max()) < scores.pick_up
        if not state.active
        else (float(score.min()) > scores.drop_off)
    ):
        return [], state
    side = (score <= scores.drop_off).astype(np.int8)
    np.negative(side, out=side)
    side[score >= scores.pick_up] = 1
    told = np.flatnonzero(side)
    kept = side[told]
    before = np.concatenate(([1 if state.active else -1], kept[:-1]))
    changed = told[kept != before]
    active = state.active ^ bool(len(changed) % 2)
    after = LevelState(
        active=active,
        last_ns=int(scores.time_ns[-1]),
        peak=float(scores.told[-1]) if active else None,
    )
    if len(changed) == 0:
        return [], after
    time_ns = scores.time_ns[changed]
    return [Flips(raised=not state.active, onset_ns=time_ns, time_ns=time_ns)], after


def _places(
    limit: Timed, course: Course, *, pick_up: float, drop_off: float, clearing: bool
) -> NDArray[np.intp]:
    """Return the buckets that may raise a limit, or clear it."""
    if clearing:
        some = course.low <= drop_off
        every = (course.high_had <= drop_off) & (course.high_had < pick_up)
        delay_s = limit.off_delay_s
    else:
        some = course.high >= pick_up
        every = course.low_had >= pick_up
        delay_s = limit.on_delay_s
    return np.flatnonzero(
        may_complete(some, every, course.start_ns, course.end_ns, delay_ns=round(delay_s * 1e9))
    )
