"""Which buckets of a trace can change anything about a limit. Pure.

A bucket is a stretch of readings of which only the lowest and the highest score are known. A limit
is raised by a run of readings that are all on and last for its on-delay. Such a run lies in one
bucket, or reaches from a bucket into those behind it, of which all but the last are on throughout.
So a bucket without a reading that is on raises nothing, and one between two with a reading that is
not on raises nothing when they lie closer together than the delay. The same for clearing.
What is said here errs to one side only: a bucket that is left out can change nothing.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["buckets_to_check", "max_run_weight"]

_FAR_NS = 2**61


def buckets_to_check(
    may_hold: NDArray[np.bool_],
    must_hold: NDArray[np.bool_],
    start_ns: NDArray[np.int64],
    end_ns: NDArray[np.int64],
    *,
    delay_ns: int,
) -> NDArray[np.bool_]:
    """Return in which of m buckets a run of readings on one side may last for a delay.

    Parameters
    ----------
    may_hold, must_hold
        Whether a bucket may have a reading on that side; whether all of its readings may be there.
    start_ns, end_ns
        Where each bucket begins and ends, in order of time. What lies before the first and behind
        the last is not known: a run may come from there and go on there.
    """
    if delay_ns <= 0 or not may_hold.any():
        return may_hold
    break_before, break_after = _nearest_breaks(must_hold)
    begins = np.where(break_before < 0, -_FAR_NS, start_ns[break_before])
    ends = np.where(
        break_after >= len(must_hold), _FAR_NS, end_ns[np.minimum(break_after, len(must_hold) - 1)]
    )
    through = np.where(must_hold, ends - begins, np.maximum(end_ns - begins, ends - start_ns))
    return may_hold & (through >= delay_ns)


def max_run_weight(
    may_hold: NDArray[np.bool_], must_hold: NDArray[np.bool_], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the largest sum of weights over the buckets that a run through each may touch.

    A run from before the first bucket, or to behind the last, may weigh anything: infinity.
    """
    break_before, break_after = _nearest_breaks(must_hold)
    cumulated = np.concatenate(([0.0], np.cumsum(np.where(may_hold, weight, 0.0))))
    index = np.arange(len(must_hold))
    low = np.where(break_before < 0, -np.inf, cumulated[np.maximum(break_before, 0)])
    high = np.where(
        break_after >= len(must_hold),
        np.inf,
        cumulated[np.minimum(break_after, len(must_hold) - 1) + 1],
    )
    reach = np.where(
        must_hold, high - low, np.maximum(cumulated[index + 1] - low, high - cumulated[index])
    )
    return np.where(may_hold, reach, 0.0)


def _nearest_breaks(must_hold: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return for each bucket the nearest one before and behind it that is not `must_hold`."""
    n = len(must_hold)
    index = np.arange(n)
    last = np.maximum.accumulate(np.where(must_hold, -1, index))
    following = np.minimum.accumulate(np.where(must_hold, n, index)[::-1])[::-1]
    break_before = np.concatenate(([-1], last[:-1]))
    break_after = np.concatenate((following[1:], [n]))
    return break_before, break_after
