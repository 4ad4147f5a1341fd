"""How fast a temperature changes, as a straight line sees it, and when the line meets a level.

Pure. A temperature is in degC, a difference in K.
"""
# ruff: noqa: N802, N803, N806, N815 - units are written as units are: K is a capital

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats

__all__ = [
    "TimeToLevel",
    "Trend",
    "fit_steady_trend",
    "fit_temperature_trend",
    "time_to_level",
]

GENTLE_BEND: Final = 0.35
"""The rates of both halves of a span may differ by so much of the larger: a joint that settles with
a time constant of ten minutes bends by a fifth within four."""
SETTLING_SHARE: Final = 0.4
"""Such a joint is off its line, in the newest eighth of four minutes, by 0.3 of what the line rises
meanwhile; one whose rise has just ended by half of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How fast a temperature changes, as a straight line sees it."""

    rate_K_per_min: float
    """NaN where the readings cannot say: fewer than three, or all at one instant."""
    uncertainty_K_per_min: float
    """Standard uncertainty of the rate."""
    resolution_K: float = 0.0
    """The step of one count of the sensor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeToLevel:
    """How long until a rising temperature reaches a level; inf for never at this trend."""

    s: float
    soonest_s: float
    """At the rate plus twice its standard uncertainty, from a count nearer."""
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
        resolution_K=q,
    )


def fit_steady_trend(
    time_s: ArrayLike, temperature_degC: ArrayLike, *, resolution_K: float | None = None
) -> Trend | None:
    """Return the trend of readings that one straight line describes, None for those with a corner.

    The newest eighth of the span has to lie where the line through the others goes on to, within
    what is uncertain and what a joint that settles bends. And both halves are fitted: what their
    rates differ by is how far the rate at the end of a bent line is from that of the whole, and
    widens the uncertainty. Where they differ by more than their own uncertainties leave open, and
    by more than a joint that settles bends (`GENTLE_BEND`), there is no rate to go on with.
    Parameters as those of `fit_temperature_trend`.
    """
    time = np.asarray(time_s, np.float64)
    values = np.asarray(temperature_degC, np.float64)
    is_finite = ~(np.isnan(time) | np.isnan(values))
    time, values = time[is_finite], values[is_finite]
    q = _resolution_K(values) if resolution_K is None else resolution_K
    whole = fit_temperature_trend(time, values, resolution_K=q)
    if math.isnan(whole.rate_K_per_min):
        return whole
    is_older = time < (time[0] + time[-1]) / 2.0
    older, newer = (
        fit_temperature_trend(time[rows], values[rows], resolution_K=q)
        for rows in (is_older, ~is_older)
    )
    bend = newer.rate_K_per_min - older.rate_K_per_min
    if math.isnan(bend):
        return None
    open_K_per_min = math.hypot(older.uncertainty_K_per_min, newer.uncertainty_K_per_min)
    if _has_left_line(time, values, q):
        return None
    largest = max(abs(older.rate_K_per_min), abs(newer.rate_K_per_min))
    if abs(bend) > max(2.0 * open_K_per_min, GENTLE_BEND * largest):
        return None
    return replace(whole, uncertainty_K_per_min=math.hypot(whole.uncertainty_K_per_min, bend))


def _has_left_line(time: Floats, values: Floats, resolution_K: float) -> bool:
    """Return whether the newest eighth of readings lies off the line through those before it."""
    edge = time[-1] - (time[-1] - time[0]) / 8.0
    is_older = time < edge
    older, newest = time[is_older], time[~is_older]
    line = fit_temperature_trend(older, values[is_older], resolution_K=resolution_K)
    if math.isnan(line.rate_K_per_min):
        return False
    rate, unsure = line.rate_K_per_min / 60.0, line.uncertainty_K_per_min / 60.0
    ahead_s = float(newest.mean() - older.mean())
    off_K = float(values[~is_older].mean() - values[is_older].mean()) - rate * ahead_s
    # Both means are off by up to a part of a count, which does not average out.
    open_K = math.hypot(unsure * ahead_s, resolution_K / math.sqrt(6.0))
    bend_K = SETTLING_SHARE * abs(rate) * float(newest[-1] - newest[0])
    return abs(off_K) > 2.0 * open_K + bend_K


def time_to_level(level_degC: float, now_degC: float, trend: Trend) -> TimeToLevel:
    """Return when a temperature that is at `now_degC` reaches a level above it at this trend.

    A straight line is the soonest honest guess: a joint at a constant load settles, so the true
    time is longer than this or never, unless the load grows or the cooling fails. At or above the
    level the answer is 0; without a trend it is "never" with "at once" as the soonest. A reading
    stands for all temperatures of its count, so a level is reached up to a whole count sooner than
    the difference of the two says, however the sensor rounds.
    """
    missing_K = level_degC - now_degC
    count_K = trend.resolution_K
    if missing_K <= 0.0:
        return TimeToLevel(s=0.0, soonest_s=0.0, latest_s=0.0)
    if math.isnan(trend.rate_K_per_min):
        return TimeToLevel(s=math.inf, soonest_s=0.0, latest_s=math.inf)
    either_side = 2.0 * trend.uncertainty_K_per_min

    def at(missing_K: float, rate_K_per_min: float) -> float:
        return 60.0 * max(0.0, missing_K) / rate_K_per_min if rate_K_per_min > 0.0 else math.inf

    return TimeToLevel(
        s=at(missing_K - count_K / 2.0, trend.rate_K_per_min),
        soonest_s=at(missing_K - count_K, trend.rate_K_per_min + either_side),
        latest_s=at(missing_K, trend.rate_K_per_min - either_side),
    )


def _resolution_K(values: Floats) -> float:
    if np.all(values == np.rint(values)):
        return 1.0
    steps = np.diff(np.unique(values))
    return float(steps.min()) if len(steps) else 0.0
