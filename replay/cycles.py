"""Whether the cycles of a trace are too narrow to be distinguished in a picture. Pure."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["are_cycles_narrow", "cycle_width", "group_extremes"]

FloatArray = NDArray[np.float64]
MIN_BUCKETS = 4
WHOLE_SHARE = 0.6
"""A bucket that spans at least this share of the window's span holds a whole cycle."""
QUARTER = 0.25
COMMON_SHARE = 0.9
"""Buckets of whole cycles have at least this share of their span in common with the next."""


def are_cycles_narrow(minimum: FloatArray, maximum: FloatArray, *, least: float = 0.0) -> bool:
    """Return whether buckets of about ten pixels mostly hold whole cycles.

    They do when the typical bucket covers most of the range of the window, and the next one covers
    nearly the same: neighbours of single moves would differ.

    Parameters
    ----------
    minimum, maximum
        Of each bucket, shape (n,), NaN for one without values.
    least
        Smallest range of a window, in the unit of the channel: a reading that flickers by one count
        is no cycle.
    """
    held = np.isfinite(minimum) & np.isfinite(maximum)
    if held.sum() < MIN_BUCKETS:
        return False
    low, high = minimum[held], maximum[held]
    # Quantiles, since a rare spike would widen the range of a trace that does not cycle.
    whole = max(float(np.quantile(high, 0.95) - np.quantile(low, 0.05)), least)
    if whole <= 0 or float(np.median(high - low)) < WHOLE_SHARE * whole:
        return False
    common = np.minimum(high[1:], high[:-1]) - np.maximum(low[1:], low[:-1])
    larger = np.maximum(high[1:] - low[1:], high[:-1] - low[:-1])
    return float(np.median(common[larger > 0] / larger[larger > 0])) > COMMON_SHARE


def cycle_width(minimum: FloatArray, maximum: FloatArray, *, least: float = 0.0) -> float:
    """Return how wide a cycle typically is, in buckets; NaN where most of the window has none.

    A cycle is from one rise to the next, a rise from the lowest quarter of the window's range to
    the highest. Never less than two buckets.

    Parameters
    ----------
    minimum, maximum, least
        As of `are_cycles_narrow`.
    """
    held = np.isfinite(minimum) & np.isfinite(maximum)
    if held.sum() < MIN_BUCKETS:
        return float("nan")
    bottom, top = np.quantile(minimum[held], 0.05), np.quantile(maximum[held], 0.95)
    if top - bottom <= 0 or top - bottom < least:
        return float("nan")
    is_low = (held & (minimum <= bottom + (top - bottom) * QUARTER)).tolist()
    is_high = (held & (maximum >= top - (top - bottom) * QUARTER)).tolist()
    rises: list[int] = []
    was_low = False
    for place, (low, high) in enumerate(zip(is_low, is_high, strict=True)):
        if was_low and high:
            rises.append(place)
            was_low = False
        elif low:
            # A bucket with both may be a fall as well as a rise: it is one of them.
            was_low = True
    between = np.diff(rises)
    if len(between) < MIN_BUCKETS:
        return float("nan")
    typical = float(np.median(between))
    return typical if typical * len(between) >= len(minimum) / 2 else float("nan")


def group_extremes(ends: FloatArray, group: int) -> tuple[FloatArray, FloatArray]:
    """Return minimum and maximum of each `group` bins; groups with a gap are left out.

    Parameters
    ----------
    ends
        Both extremes of each bin in any order, shape (n, 2).
    group
        Bins in a group; a remainder that does not fill one is left out.

    Returns
    -------
    tuple
        Two arrays of one shape, at most (n // group,).
    """
    count = len(ends) // group
    buckets = ends[: count * group].reshape(count, group * 2)
    held = buckets[~np.isnan(buckets).any(axis=1)]
    return held.min(axis=1), held.max(axis=1)
