"""The buckets of a trace that may change the state of a limit. Pure.

A bucket is a stretch of readings of which only the lowest and the highest score are known. A limit
is raised by a run of readings that are all on (at the pick-up or beyond) for its on-delay. Such a
run lies within one bucket, or begins in one and reaches into those after it, of which all but the
last must be on throughout. So a bucket without a reading that is on cannot raise, and neither can
one in a run of buckets that is shorter than the delay, measured from the nearest bucket with a
reading that is not on to the next such bucket:

      a break        on throughout      on throughout     a break
    | . . . * * | * * * * * * * * * * | * * * * * * * * | * . . . . |      * on, . off
    ^ begins        the longest run lies somewhere in here     ends ^

Clearing is the same with off for on and the off-delay. Every bound errs to the same side: a bucket
that is left out certainly changes nothing; one that is kept may turn out to change nothing either.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["buckets_to_check", "max_run_weight"]

_FAR_NS = 2**61
"""Beyond every time of a recording, yet the difference of two of them still fits into int64."""


def buckets_to_check(
    may_hold: NDArray[np.bool_],
    may_hold_all: NDArray[np.bool_],
    start_ns: NDArray[np.int64],
    end_ns: NDArray[np.int64],
    *,
    delay_ns: int,
) -> NDArray[np.bool_]:
    """Return in which of m buckets a run of readings on one side may last for a delay.

    Parameters
    ----------
    may_hold
        Shape (m,): whether any reading of the bucket may be on that side.
    may_hold_all
        Shape (m,): whether all of its readings may be; False only where one certainly is not.
    start_ns, end_ns
        Shape (m,): begin and end of each bucket, in order of time. What lies before the first and
        after the last is not known: a run may begin and end there.
    """
    if delay_ns <= 0 or not may_hold.any():
        return may_hold
    break_before, break_after = _nearest_breaks(may_hold_all)
    begins = np.where(break_before < 0, -_FAR_NS, start_ns[break_before])
    ends = np.where(
        break_after >= len(may_hold_all),
        _FAR_NS,
        end_ns[np.minimum(break_after, len(may_hold_all) - 1)],
    )
    # A bucket with a break inside is reached by a run from the left or one to the right, not both.
    longest = np.where(may_hold_all, ends - begins, np.maximum(end_ns - begins, ends - start_ns))
    return may_hold & (longest >= delay_ns)


def max_run_weight(
    may_hold: NDArray[np.bool_], may_hold_all: NDArray[np.bool_], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return for each of m buckets the largest sum of weights over a run that touches it.

    `weight`: what the run gains in each bucket at most, all >= 0. A run that may begin before the
    first bucket or end after the last may weigh anything: infinity.
    """
    break_before, break_after = _nearest_breaks(may_hold_all)
    cumulated = np.concatenate(([0.0], np.cumsum(np.where(may_hold, weight, 0.0))))
    index = np.arange(len(may_hold_all))
    low = np.where(break_before < 0, -np.inf, cumulated[np.maximum(break_before, 0)])
    high = np.where(
        break_after >= len(may_hold_all),
        np.inf,
        cumulated[np.minimum(break_after, len(may_hold_all) - 1) + 1],
    )
    reach = np.where(
        may_hold_all, high - low, np.maximum(cumulated[index + 1] - low, high - cumulated[index])
    )
    return np.where(may_hold, reach, 0.0)


def _nearest_breaks(may_hold_all: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return for each bucket the nearest one before and after it in which a run must break.

    -1 where there is none before, m where there is none after.
    """
    n = len(may_hold_all)
    index = np.arange(n)
    last = np.maximum.accumulate(np.where(may_hold_all, -1, index))
    following = np.minimum.accumulate(np.where(may_hold_all, n, index)[::-1])[::-1]
    break_before = np.concatenate(([-1], last[:-1]))
    break_after = np.concatenate((following[1:], [n]))
    return break_before, break_after
