"""Since when a joint's load has been of one kind, cycles and pauses of a duty included.

Works on the mean square of torque or current in each second, since that is what heats. Pure.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats

__all__ = ["find_load_change"]

STRETCH_S: Final = 10
"""Mean squares are compared over so many seconds: most moves are shorter."""
OTHER_FACTOR: Final = 1.6
"""A stretch whose mean square is so many times beyond all before it is another load."""
LEAST_CUSUM: Final = 0.08
"""Largest excursion of the cumulated sum about its mean, as a share of the whole sum. A duty of
cycles up to about a sixth of the span stays below it; a load that doubles for the last quarter of a
span comes to 0.15."""


def find_load_change(mean_square: ArrayLike) -> int | None:
    """Return the second from which on the load is another than before; None where it is one.

    Parameters
    ----------
    mean_square
        Of torque or current in each of n consecutive seconds, shape (n,), NaN where unknown.

    Notes
    -----
    Two looks, since a duty's cycle is not known. Stretches of ten seconds since a change in the
    newer half are held against all before it: beyond all of them is another load, however short it
    has been. Any other change shows in the cumulated sum about the mean (Page, 1954), which cycles
    bring back again and again and a step does not. A change younger than ten seconds cannot be told
    from a move.
    """
    values = np.asarray(mean_square, np.float64)
    values = np.where(np.isnan(values), 0.0, values)
    if len(values) < 4 * STRETCH_S:
        return None
    recent = _recent_change(values)
    if recent is not None:
        return recent
    begin = 0
    while len(values) - begin >= 2 * STRETCH_S:
        change = _cusum_change(values[begin:])
        if change is None:
            break
        begin += change
    return begin or None


def _recent_change(values: Floats) -> int | None:
    """Return where in the newer half all stretches begin to be beyond all that came before."""
    means = np.convolve(values, np.full(STRETCH_S, 1.0 / STRETCH_S), "valid")
    begins = np.arange(max(len(values) // 2, 2 * STRETCH_S), len(values) - STRETCH_S + 1)
    before = begins - STRETCH_S
    low = np.minimum.accumulate(means)[before]
    high = np.maximum.accumulate(means)[before]
    least = np.minimum.accumulate(means[::-1])[::-1][begins]
    most = np.maximum.accumulate(means[::-1])[::-1][begins]
    is_other = (least > high * OTHER_FACTOR) | (most < low / OTHER_FACTOR)
    return int(begins[is_other][-1]) if is_other.any() else None


def _cusum_change(values: Floats) -> int | None:
    """Return where the cumulated sum about the mean is farthest from 0, if that is far."""
    total = float(values.sum())
    if total <= 0.0:
        return None
    excursion = np.abs(np.cumsum(values) - total * np.arange(1, len(values) + 1) / len(values))
    farthest = int(np.argmax(excursion))
    if excursion[farthest] < LEAST_CUSUM * total:
        return None
    return farthest + 1
