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

__all__ = ["longest", "may_complete"]

_FAR_NS = 2**61


def may_complete(
    some: NDArray[np.bool_],
    every: NDArray[np.bool_],
    start_ns: NDArray[np.int64],
    end_ns: NDArray[np.int64],
    *,
    delay_ns: int,
) -> NDArray[np.bool_]:
    """Return in which of m buckets a run of readings on one side may last for a delay.

    Parameters
    ----------
    some, every
        Whether a bucket may have a reading on that side; whether all of its readings may be there.
    start_ns, end_ns
        Where each bucket begins and ends, in order of time. What lies before the first and behind
        the last is not known: a run may come from there and go on there.
    """
    if delay_ns <= 0 or not some.any():
        return some
    before, after = _breaks(every)
    begins = np.where(before < 0, -_FAR_NS, start_ns[before])
    ends = np.where(after >= len(every), _FAR_NS, end_ns[np.minimum(after, len(every) - 1)])
    through = np.where(every, ends - begins, np.maximum(end_ns - begins, ends - start_ns))
    return some & (through >= delay_ns)


def longest(
    some: NDArray[np.bool_], every: NDArray[np.bool_], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the largest sum of weights over the buckets that a run through each may touch.

    A run from before the first bucket, or to behind the last, may weigh anything: infinity.
    """
    before, after = _breaks(every)
    whole = np.concatenate(([0.0], np.cumsum(np.where(some, weight, 0.0))))
    index = np.arange(len(every))
    low = np.where(before < 0, -np.inf, whole[np.maximum(before, 0)])
    high = np.where(after >= len(every), np.inf, whole[np.minimum(after, len(every) - 1) + 1])
    reach = np.where(every, high - low, np.maximum(whole[index + 1] - low, high - whole[index]))
    return np.where(some, reach, 0.0)


def _breaks(every: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return for each bucket the nearest one before and behind it that is not `every`."""
    n = len(every)
    index = np.arange(n)
    last = np.maximum.accumulate(np.where(every, -1, index))
    following = np.minimum.accumulate(np.where(every, n, index)[::-1])[::-1]
    before = np.concatenate(([-1], last[:-1]))
    after = np.concatenate((following[1:], [n]))
    return before, after
