"""Whether the cycles of a trace are too narrow to be distinguished in a picture. Pure."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["are_cycles_narrow", "group_extremes"]

FloatArray = NDArray[np.float64]
MIN_BUCKETS = 4
WHOLE_SHARE = 0.6
"""A bucket that spans at least this share of the window's span holds a whole cycle."""
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
