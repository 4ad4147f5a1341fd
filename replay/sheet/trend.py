"""How a quantity goes over the hours that a specimen has run, and what would have been seen. Pure.

A straight line by generalised least squares. What repeats badly does so in stretches: half of the
scatter is taken as correlated over 30 h. With that a slope or a change at one time is told where
there is none in 5 of 100 (least squares: a slope alone in 10 of 100 from 12 findings, in 26 from
30, where it is so); where the scatter has no memory a slope has to be a sixth steeper to be seen as
often. What the findings share (an arm,
a scale) moves them all alike, and has no part in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.uncertainty import chance_of, student_factor
from replay.sheet.change_point import (
    ChangePoint,
    find_change,
    fit_column,
    scatter_factor,
    slope_level,
)
from replay.sheet.combining import SourcedQuantity, own_uncertainty

__all__ = ["LEAST_FINDINGS", "Trend", "fit_slope", "trend_of"]

LEAST_FINDINGS: Final = 3
_SEEN: Final = 0.90


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """The slope of a quantity over the hours that were recorded of a specimen."""

    per_100_h: float
    """Change of the value in 100 h, in its unit."""
    low: float
    """Lower end of the 95 % interval."""
    high: float
    chance: float
    """How likely chance alone shows as steep a slope."""
    is_seen: bool
    """It goes up or down, or changed at one time: more than chance, the two as one question."""
    unseen_below: float
    """A slope per 100 h under this would have been seen in fewer than 90 of 100."""
    span_h: float
    count: int
    change: ChangePoint | None
    """Where it changed most at one time; None from fewer than six findings."""
    is_at_once: bool
    """What is seen is a change at one time: chance alone makes a slope like that more easily."""


def fit_slope(hours: Floats, values: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Return slopes and their standard uncertainties.

    Parameters
    ----------
    hours
        Of n findings.
    values
        Of n findings, in the last axis; any number of series before it.
    weights
        Relative standard deviations of the n findings; their size follows from the scatter.
    """
    factor = scatter_factor(hours, weights)
    slope, uncertainty, _ = fit_column(factor, hours - hours.mean(), values)
    return slope, uncertainty


def trend_of(found: Sequence[SourcedQuantity]) -> Trend | None:
    """Return the trend of findings of one quantity; None from fewer than three, or of one hour."""
    ordered = sorted(found, key=lambda one: one.running_h)
    hours = np.array([one.running_h for one in ordered])
    if len(ordered) < LEAST_FINDINGS or hours[-1] - hours[0] < 1.0:
        return None
    values = np.array([one.quantity.value for one in ordered])
    own = np.array([own_uncertainty(one.quantity) for one in ordered])
    weights = own if own.min() > 0.0 else np.ones(len(own))
    weights = weights / weights.mean()
    factor = scatter_factor(hours, weights)
    line = fit_column(factor, hours - hours.mean(), values)
    slope, uncertainty, _ = (float(one) for one in line)
    change = find_change(hours, values, weights)
    freedom = float(len(ordered) - 2)
    reach = student_factor(freedom) * uncertainty
    chance = chance_of(slope, uncertainty, freedom)
    level = slope_level(hours, weights)
    is_seen = chance < level or (change is not None and change.is_seen)
    # One-sided 90 % beyond the two-sided threshold.
    beyond = student_factor(freedom, 2.0 * _SEEN - 1.0) * uncertainty
    level_reach = student_factor(freedom, 1.0 - level) * uncertainty
    return Trend(
        per_100_h=100.0 * slope,
        low=100.0 * (slope - reach),
        high=100.0 * (slope + reach),
        chance=chance,
        is_seen=is_seen,
        unseen_below=100.0 * (level_reach + beyond),
        span_h=float(hours[-1] - hours[0]),
        count=len(ordered),
        change=change,
        is_at_once=is_seen and change is not None and change.chance < chance,
    )
