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

from logger.arrays import to_ns
from logger.limits.hysteresis import LevelState, step_level
from logger.limits.kind import TimedLimit
from logger.limits.scores import Scores
from replay.evaluation.alert_arrays import StateChanges, to_state_changes
from replay.evaluation.candidate_buckets import buckets_to_check

__all__ = ["ScoreBuckets", "find_state_changes", "skip_scan", "to_score_buckets"]

_FIRST_STEP: Final = 4
"""Buckets that are looked at first where something may change; then twice as many each time."""
_MAX_STEP: Final = 512
_READINGS_PER_BUCKET: Final = 1024
"""Readings in a bucket of a trace that is in memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreBuckets:
    """The scores of a stretch of a trace as m buckets, in order of time."""

    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]
    low: NDArray[np.float64]
    """At most the lowest score in each."""
    high: NDArray[np.float64]
    """At least the highest."""
    max_low: NDArray[np.float64]
    """At least the lowest: a score that one of the readings has, as low as is known of any."""
    min_high: NDArray[np.float64]
    """At most the highest, likewise."""
    hold_ns: int
    read_scores: Callable[[int, int], tuple[NDArray[np.int64], NDArray[np.float64]]]
    """(first, stop) -> times and scores of all readings in the buckets [first, stop)."""


def to_score_buckets(scores: Scores) -> ScoreBuckets:
    """Return scores that are in memory as a course."""
    time_ns, score = scores.time_ns, scores.score
    n = len(score)
    first = np.arange(0, n, _READINGS_PER_BUCKET)
    last = np.minimum(first + _READINGS_PER_BUCKET, n) - 1

    def read_scores(begin: int, stop: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        rows = slice(begin * _READINGS_PER_BUCKET, stop * _READINGS_PER_BUCKET)
        return time_ns[rows], score[rows]

    # A reading without a score (NaN) is on no side, and must not hide those beside it.
    low = np.fmin.reduceat(score, first) if n else np.empty(0)
    high = np.fmax.reduceat(score, first) if n else np.empty(0)
    return ScoreBuckets(
        start_ns=time_ns[first],
        end_ns=time_ns[last] + 1,
        low=low,
        high=high,
        max_low=low,
        min_high=high,
        hold_ns=scores.hold_ns,
        read_scores=read_scores,
    )


def skip_scan(
    limit: TimedLimit,
    state: LevelState,
    buckets: ScoreBuckets,
    *,
    pick_up: float,
    drop_off: float,
    joint: str,
) -> tuple[list[StateChanges], LevelState]:
    """Return what is raised and returns over a course, and the state behind it.

    The peak of the state is one of the readings that were looked at.
    """
    changes: list[StateChanges] = []
    count = len(buckets.low)
    candidates: dict[bool, NDArray[np.intp]] = {}
    bucket, step = 0, _FIRST_STEP
    while bucket < count:
        if state.pending_ns is None:
            if state.active not in candidates:
                candidates[state.active] = _buckets_that_matter(
                    limit, buckets, pick_up=pick_up, drop_off=drop_off, clearing=state.active
                )
            candidate_buckets = candidates[state.active]
            nearest = int(np.searchsorted(candidate_buckets, bucket))
            if nearest == len(candidate_buckets):
                break
            step = _FIRST_STEP if candidate_buckets[nearest] > bucket else step
            bucket = int(candidate_buckets[nearest])
        stop = min(bucket + step, count)
        time_ns, score = buckets.read_scores(bucket, stop)
        new_changes, state = find_state_changes(
            limit,
            state,
            Scores(
                time_ns=time_ns,
                batch_rows=None,
                score=score,
                reported=score,
                pick_up=pick_up,
                drop_off=drop_off,
                hold_ns=buckets.hold_ns,
            ),
            joint=joint,
        )
        changes += new_changes
        bucket, step = stop, min(2 * step, _MAX_STEP)
    return changes, state


def find_state_changes(
    limit: TimedLimit, state: LevelState, scores: Scores, *, joint: str
) -> tuple[list[StateChanges], LevelState]:
    """Return what scores change about a limit, and the state behind them.

    With delays by hysteresis.py. Without any a reading on one side decides by itself, gaps make no
    difference and nothing is ever pending, so that arrays tell it: a limit that chatters a hundred
    thousand times a day costs no more than one that does not.
    """
    if limit.on_delay_s > 0 or limit.off_delay_s > 0:
        changes, state = step_level(limit, state, scores, joint=joint)
        return to_state_changes([change for _, change in changes]), state
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
    decided_rows = np.flatnonzero(side)
    decided = side[decided_rows]
    previous = np.concatenate(([1 if state.active else -1], decided[:-1]))
    changed = decided_rows[decided != previous]
    active = state.active ^ bool(len(changed) % 2)
    state_after = LevelState(
        active=active,
        last_ns=int(scores.time_ns[-1]),
        peak=float(scores.reported[-1]) if active else None,
    )
    if len(changed) == 0:
        return [], state_after
    time_ns = scores.time_ns[changed]
    return [StateChanges(raised=not state.active, onset_ns=time_ns, time_ns=time_ns)], state_after


def _buckets_that_matter(
    limit: TimedLimit, buckets: ScoreBuckets, *, pick_up: float, drop_off: float, clearing: bool
) -> NDArray[np.intp]:
    """Return the buckets that may raise a limit, or clear it."""
    if clearing:
        may_hold = buckets.low <= drop_off
        must_hold = (buckets.min_high <= drop_off) & (buckets.min_high < pick_up)
        delay_s = limit.off_delay_s
    else:
        may_hold = buckets.high >= pick_up
        must_hold = buckets.max_low >= pick_up
        delay_s = limit.on_delay_s
    return np.flatnonzero(
        buckets_to_check(
            may_hold, must_hold, buckets.start_ns, buckets.end_ns, delay_ns=to_ns(delay_s)
        )
    )
