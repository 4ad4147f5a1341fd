"""How long a joint was loaded how hard, to be compared with a time-current curve. Pure.

Two views of the same root mean square, second by second: the largest average over any span of a
given duration (for a load that warms, what a curve has to let pass), and the spans above a level,
each with its duration and its own root mean square.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints

__all__ = ["LoadedSpans", "loaded_spans", "max_rms_by_duration"]

_SECOND_NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSpans:
    """n spans above a level, in order of time; every array has shape (n,)."""

    start_ns: Ints
    duration_s: Floats
    rms: Floats
    """Root mean square over the span, in the unit of the channel."""


def max_rms_by_duration(start_ns: Ints, rms: Floats, lengths_s: Sequence[int]) -> Floats:
    """Return the largest root mean square over any span of each duration; NaN if none is so long.

    Parameters
    ----------
    start_ns, rms
        Shape (n,), on whole seconds in order of time. A missing second (a gap) counts as no load:
        the average is over the whole duration, gaps included.
    lengths_s
        In whole seconds.
    """
    max_rms = np.full(len(lengths_s), np.nan)
    if len(start_ns) == 0:
        return max_rms
    second = (start_ns - start_ns[0]) // _SECOND_NS
    squares = np.zeros(int(second[-1]) + 1)
    squares[second] = rms**2
    cumulated = np.concatenate(([0.0], np.cumsum(squares)))
    for index, length in enumerate(lengths_s):
        if 1 <= length <= len(squares):
            largest_sum = float(np.max(cumulated[length:] - cumulated[:-length]))
            max_rms[index] = np.sqrt(max(largest_sum, 0.0) / length)
    return max_rms


def loaded_spans(start_ns: Ints, rms: Floats, level: float) -> LoadedSpans:
    """Return the spans of consecutive seconds whose root mean square is above a level.

    Parameters
    ----------
    start_ns, rms
        Shape (n,), on whole seconds in order of time; a missing second ends a span.
    """
    above = rms > level
    follows = np.diff(start_ns, prepend=start_ns[:1] - 2 * _SECOND_NS) == _SECOND_NS
    begins = above & ~(np.concatenate(([False], above[:-1])) & follows)
    first = np.flatnonzero(begins)
    if len(first) == 0:
        nothing = np.empty(0)
        return LoadedSpans(start_ns=np.empty(0, np.int64), duration_s=nothing, rms=nothing)
    owner = np.cumsum(begins)[above] - 1
    count = np.bincount(owner, minlength=len(first))
    squares = np.bincount(owner, weights=rms[above] ** 2, minlength=len(first))
    return LoadedSpans(
        start_ns=start_ns[first],
        duration_s=count.astype(np.float64),
        rms=np.sqrt(squares / count),
    )
