"""How fast a temperature changes, as a straight line sees it, and when the line meets a level.

Pure. A temperature is in degC, a difference in K.
"""
# ruff: noqa: N802, N803, N806, N815 - units are written as units are: K is a capital

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats

__all__ = ["TimeToLevel", "Trend", "fit_temperature_trend", "time_to_level"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How fast a temperature changes, as a straight line sees it."""

    rate_K_per_min: float
    """NaN where the readings cannot say: fewer than three, or all at one instant."""
    uncertainty_K_per_min: float
    """Standard uncertainty of the rate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeToLevel:
    """How long until a rising temperature reaches a level; inf for never at this trend."""

    s: float
    soonest_s: float
    """At the rate plus twice its standard uncertainty."""
    latest_s: float
    """At the rate less twice its standard uncertainty."""


def fit_temperature_trend(
    time_s: ArrayLike, temperature_degC: ArrayLike, *, resolution_K: float | None = None
) -> Trend:
    """Return the least-squares slope of readings and its standard uncertainty.

    Parameters
    ----------
    time_s, temperature_degC
        n readings; those that are NaN do not count.
    resolution_K
        The step of one count of the sensor. Default: 1 where all readings are whole, otherwise
        the smallest difference among them.

    Notes
    -----
    Two parts, added in squares. Noise: the variance of the residuals, at least q^2/12 for a
    resolution q (GUM, JCGM 100:2008, F.2.2.1; cited from memory), each reading a draw of its own.
    Rounding: whole-degree readings are no independent draws, for as long as a count is repeated its
    error is repeated too. A staircase over m counts leaves a slope uncertain by about
    q/sqrt(12) / m times that of a single draw; readings of one count alone leave open about a
    count in the span. The factor was tried against rounded ramps (see the tests), not derived.
    """
    time = np.asarray(time_s, np.float64)
    values = np.asarray(temperature_degC, np.float64)
    is_finite = ~(np.isnan(time) | np.isnan(values))
    time, values = time[is_finite], values[is_finite]
    count = len(time)
    if count < 3:
        return Trend(rate_K_per_min=math.nan, uncertainty_K_per_min=math.nan)
    time = time - time.mean()
    spread = float(time @ time)
    if spread == 0.0:
        return Trend(rate_K_per_min=math.nan, uncertainty_K_per_min=math.nan)
    slope = float(time @ values) / spread
    residual = values - values.mean() - slope * time
    q = _resolution_K(values) if resolution_K is None else resolution_K
    noise = max(float(residual @ residual) / (count - 2), q**2 / 12.0)
    counts = 1.0 + (float(np.ptp(values)) / q if q > 0.0 else 0.0)
    rounding = q**2 / 12.0 * max(1.0, count / counts**2)
    return Trend(
        rate_K_per_min=60.0 * slope,
        uncertainty_K_per_min=60.0 * math.sqrt((noise + rounding) / spread),
    )


def time_to_level(level_degC: float, now_degC: float, trend: Trend) -> TimeToLevel:
    """Return when a temperature that is at `now_degC` reaches a level above it at this trend.

    A straight line is the soonest honest guess: a joint at a constant load settles, so the true
    time is longer than this or never, unless the load grows or the cooling fails. At or above the
    level the answer is 0; without a trend it is "never" with "at once" as the soonest.
    """
    missing_K = level_degC - now_degC
    if missing_K <= 0.0:
        return TimeToLevel(s=0.0, soonest_s=0.0, latest_s=0.0)
    if math.isnan(trend.rate_K_per_min):
        return TimeToLevel(s=math.inf, soonest_s=0.0, latest_s=math.inf)
    either_side = 2.0 * trend.uncertainty_K_per_min

    def at(rate_K_per_min: float) -> float:
        return 60.0 * missing_K / rate_K_per_min if rate_K_per_min > 0.0 else math.inf

    return TimeToLevel(
        s=at(trend.rate_K_per_min),
        soonest_s=at(trend.rate_K_per_min + either_side),
        latest_s=at(trend.rate_K_per_min - either_side),
    )


def _resolution_K(values: Floats) -> float:
    if np.all(values == np.rint(values)):
        return 1.0
    steps = np.diff(np.unique(values))
    return float(steps.min()) if len(steps) else 0.0
