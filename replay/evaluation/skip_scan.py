"""A limit evaluated only in those buckets of a trace that may change its state. Pure.

What readings do to the state is decided by logger/limits/hysteresis.py, the code that runs live;
here it is only decided which readings it is given. A bucket is skipped only while no delay runs, so
what is skipped makes no difference to when anything is raised or returns. (It does to the peak of
an alert, which is therefore not reported here.)
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
"""Buckets that are read at once where something may change; then twice as many each time.

A short disturbance costs little, and a long one is read in few large pieces. A jump over skipped
buckets starts again with the small step.
"""
_MAX_STEP: Final = 512
"""Bounds the rows in memory: of buckets of a second at 1 kHz, half a million."""
_READINGS_PER_BUCKET: Final = 1024
"""Readings in a bucket of scores that are in memory: a limit compares two bounds with its levels
instead of all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreBuckets:
    """The scores of a stretch of a trace as m buckets in order of time; all arrays of shape (m,).

    The lowest and the highest score of a bucket need not be known; each is enclosed in two bounds.

        score
          |  ----------------------  high      no reading is above it
          |         *                          the highest
          |  - - - - - - - - - - -   min_high  a reading is at least so high
          |    *        *    *
          |  - - - - - - - - - - -   max_low   a reading is at most so low
          |                *                   the lowest
          |  ----------------------  low       no reading is below it

    So "may any reading reach the pick-up?" asks `high`, "may all of them?" asks `max_low`; for the
    drop-off it is `low` and `min_high`. Where both scores are known, high = min_high and
    low = max_low. Nothing orders max_low and min_high: a bucket of one reading has them equal, and
    margins for rounding then put max_low above min_high.
    """

    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]
    low: NDArray[np.float64]
    """At most the lowest score."""
    high: NDArray[np.float64]
    """At least the highest score."""
    max_low: NDArray[np.float64]
    """At least the lowest score."""
    min_high: NDArray[np.float64]
    """At most the highest score."""
    hold_ns: int
    """How long a score counts when no newer one comes; a longer distance is a gap."""
    read_scores: Callable[[int, int], tuple[NDArray[np.int64], NDArray[np.float64]]]
    """(first, stop) -> times and scores of all n readings in the buckets [first, stop)."""


def to_score_buckets(scores: Scores) -> ScoreBuckets:
    """Return scores that are in memory as buckets of `_READINGS_PER_BUCKET` readings."""
    time_ns, score = scores.time_ns, scores.score
    n = len(score)
    first = np.arange(0, n, _READINGS_PER_BUCKET)
    last = np.minimum(first + _READINGS_PER_BUCKET, n) - 1

    def read_scores(begin: int, stop: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        rows = slice(begin * _READINGS_PER_BUCKET, stop * _READINGS_PER_BUCKET)
        return time_ns[rows], score[rows]

    # fmin, fmax: a reading without a score (NaN) is on neither side and must not hide the others.
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
    """Return the changes of a limit over all buckets, and its state after them.

    Parameters
    ----------
    state
        The state before the first bucket.
    pick_up, drop_off
        In the unit of the scores.

    Returns
    -------
    The changes in parts that follow each other in time, and the state. Its `peak` is that of the
    readings that were read, and may miss a higher one that was skipped.
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
    """Return the changes that scores make to a limit, and its state after them.

    With delays this is `step_level`. Without any, each reading on one side decides by itself, gaps
    make no difference and nothing is ever pending: then the changes are where the side of the
    decided readings alternates, which arrays give without a loop over alerts. A limit that chatters
    a hundred thousand times a day costs no more than one that never operates.
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
    # 1 at or beyond the pick-up, -1 at or below the drop-off, 0 between: decides nothing.
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
    """Return the indices of the buckets that may raise a limit, or clear it."""
    if clearing:
        may_hold = buckets.low <= drop_off
        # Where drop-off and pick-up are equal, a score at the level is on, not off.
        may_hold_all = (buckets.min_high <= drop_off) & (buckets.min_high < pick_up)
        delay_s = limit.off_delay_s
    else:
        may_hold = buckets.high >= pick_up
        may_hold_all = buckets.max_low >= pick_up
        delay_s = limit.on_delay_s
    return np.flatnonzero(
        buckets_to_check(
            may_hold, may_hold_all, buckets.start_ns, buckets.end_ns, delay_ns=to_ns(delay_s)
        )
    )
