"""Bits that it takes to write a number down, window of frames by window of frames. Pure.

The length of a code of wrapped first, second or third differences: a two-sided geometric code,
whose mean the window tells. A lone bit costs the entropy of its changes. Where two ways of reading
the same bits are compared, that with the shorter description is the likelier, by a factor of two
for each bit.

The frames of a window are the first axis of all arrays: sums and maxima along it then run over many
windows at once, which is several times cheaper than window by window.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.layout_finder.traffic import Bytes

__all__ = ["FIELD_COST", "LEAST_SIGNED", "MOST_BITS", "WINDOW", "costs_by_length", "number_cost"]

WINDOW: Final = 24
"""Frames of a window."""
MOST_BITS: Final = 32
FIELD_COST: Final = 4.0
"""Bits that a field costs by itself."""
_MEAN_COST: Final = 3.0
_ORDER_OF_DIFFERENCE: Final = 2.0
_WRITTEN_OUT: Final = 5.0
_EARLY_RESTART: Final = 0.5
_SIGN: Final = 1.0
"""Bits for the mean of a window, a further difference, which difference is written out, a restart
before the bits are full, a sign."""
LEAST_SIGNED: Final = 4
"""Bits of a magnitude and its sign."""


def _code_length(differences: Ints, length: int) -> Floats:
    """Return bits for the differences in each window, int64[n, ...]; at most the bits themselves.

    The entropy of a two-sided geometric distribution of the same mean magnitude.
    """
    count = len(differences)
    sizes = np.abs(differences)
    total = sizes.sum(axis=0)
    # One difference may be written out: where a count starts again, or a frame was lost.
    counts = np.array([[[count]], [[count - 1]]])
    cost, others = _geometric_cost(np.stack([total, total - sizes.max(axis=0)]) / counts, counts)
    written_out = others + float(length) + _WRITTEN_OUT
    return np.asarray(np.minimum(np.minimum(cost, written_out), count * float(length) + _MEAN_COST))


def _geometric_cost(mean: Floats, count: Ints) -> Floats:
    safe = np.where(mean > 0.0, mean, 1.0)
    ratio = (np.sqrt(1.0 + safe * safe) - 1.0) / safe
    each = np.log2((1.0 + ratio) / (1.0 - ratio)) - safe * np.log2(ratio)
    return np.asarray(np.where(mean > 0.0, count * each + _MEAN_COST, 0.0))


def _toggle_cost(toggles: Floats, count: int) -> Floats:
    share = np.clip(toggles / count, 1e-9, 1.0 - 1e-9)
    each = -share * np.log2(share) - (1.0 - share) * np.log2(1.0 - share)
    return np.asarray(np.where(toggles > 0, count * each + _MEAN_COST, 0.0))


def _toggles(value: NDArray[np.generic]) -> Floats:
    """Return how often each window changes from frame to frame."""
    return np.asarray((value[1:] != value[:-1]).sum(axis=0).astype(np.float64))


def _allow_early_restart(cost: Floats, value: Ints, length: int) -> None:
    """Lower the cost of what starts again before its bits are full, as 3600 counts in 12 bits."""
    highest = value.max(axis=0).max(axis=-1)
    jumps = np.abs(np.diff(value, axis=0)).max(axis=0).max(axis=-1)
    early = np.flatnonzero((jumps > highest // 2) & (highest < (1 << length) - 2) & (highest > 7))
    if not len(early):
        return
    restart = (highest[early] + 1)[:, None]
    first = _wrap(np.diff(value.take(early, axis=1), axis=0), restart)
    second = _wrap(np.diff(first, axis=0), restart)
    lower = np.minimum(
        _code_length(first, length), _ORDER_OF_DIFFERENCE + _code_length(second, length)
    )
    cost[early] = np.minimum(cost[early], lower + _EARLY_RESTART)


def _wrap(difference: Ints, restart: Ints) -> Ints:
    """Return differences, smaller than `restart`, the short way around. Cheaper than a division."""
    half = restart // 2
    up, down = difference < -half, difference >= restart - half
    return np.asarray(difference + restart * (up.astype(np.int8) - down.astype(np.int8)))


def _allow_sign(cost: Floats, value: Ints, length: int) -> None:
    """Lower the cost of what is a magnitude below its sign."""
    if length < LEAST_SIGNED:
        return
    half = 1 << (length - 1)
    sign = value >= half
    signed = np.flatnonzero((sign[1:] != sign[:-1]).any(axis=0).any(axis=-1))
    if not len(signed):
        return
    magnitude = value.take(signed, axis=1) & (half - 1)
    # -1 - magnitude, so that nothing with a sign stays another number than nothing without.
    first = np.diff(magnitude ^ -sign.take(signed, axis=1).astype(np.int64), axis=0)
    lower = np.minimum(
        _code_length(first, length),
        _ORDER_OF_DIFFERENCE + _code_length(np.diff(first, axis=0), length),
    )
    cost[signed] = np.minimum(cost[signed], lower + _SIGN)


def _two_level_cost(value: Ints) -> Floats:
    """Return bits for windows that hold two numbers only, int64[n, ...]; infinite for others.

    Half of a count about which a slow value hesitates is no more than a lone bit that flips, and
    the other number has to be named.
    """
    lowest, highest = value.min(axis=0), value.max(axis=0)
    is_either = (value == lowest) | (value == highest)
    toggles = _toggles(value)
    apart = np.maximum(highest - lowest, 1).astype(np.float64)
    cost = _toggle_cost(toggles, len(value) - 1) + np.where(toggles > 0, np.log2(apart), 0.0)
    return np.asarray(np.where(is_either.all(axis=0), cost, np.inf))


def number_cost(value: Ints, length: int) -> Floats:
    """Return bits for numbers in windows, without their `FIELD_COST`, float64[numbers].

    Parameters
    ----------
    value
        Unsigned, int64[WINDOW, numbers, windows].
    length
        Their bits.
    """
    if length == 1:
        return np.asarray(_toggle_cost(_toggles(value), len(value) - 1).sum(axis=-1))
    half = 1 << (length - 1)
    first = (np.diff(value, axis=0) + half & (2 * half - 1)) - half
    second = (np.diff(first, axis=0) + half & (2 * half - 1)) - half
    third = (np.diff(second, axis=0) + half & (2 * half - 1)) - half
    cost = np.minimum(
        _code_length(first, length), _ORDER_OF_DIFFERENCE + _code_length(second, length)
    )
    cost = np.minimum(cost, 2.0 * _ORDER_OF_DIFFERENCE + _code_length(third, length))
    cost = np.minimum(cost, _two_level_cost(value))
    _allow_sign(cost, value, length)
    _allow_early_restart(cost, value, length)
    return np.asarray(cost.sum(axis=-1))


def costs_by_length(bits: Bytes, moving: NDArray[np.bool_], taken: NDArray[np.bool_]) -> Floats:
    """Return float64[columns, MOST_BITS + 1]: bits for the field from a lowest column, by length.

    Infinite for fields that would begin or end with a bit that is not `moving`, and for those that
    would hold one that is `taken`.

    Parameters
    ----------
    bits
        uint8[WINDOW, columns, windows], the lowest bit of a field first.
    moving, taken
        bool[columns].
    """
    columns = bits.shape[1]
    costs = np.full((columns, MOST_BITS + 1), np.inf)
    ones = np.ascontiguousarray(bits, dtype=np.int64)
    value = np.zeros_like(ones)
    free = np.ones(columns, dtype=np.bool_)
    for length in range(1, min(MOST_BITS, columns) + 1):
        fit = columns - length + 1
        free = free[:fit] & ~taken[length - 1 :]
        value = value[:, :fit]
        value += ones[:, length - 1 :] << (length - 1)
        some = np.flatnonzero(free & moving[:fit] & moving[length - 1 :])
        if len(some):
            costs[some, length] = number_cost(value.take(some, axis=1), length)
    return costs + FIELD_COST
