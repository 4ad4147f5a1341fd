"""Whether a quantity changed at one time, and when it would not have been seen. Pure.

Every place between two findings is tried, with two findings at least on either side. So many places
are so many questions: the chance of the best is multiplied by their number (Bonferroni), which is
strict, and from few findings a change has to be large. The scatter is taken as `trend` takes it,
half of it correlated over 30 h; what the findings share has no part in it. A slope and a change are
one question, did it change; `slope_level` says at which chance it is answered.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.uncertainty import chances_of, student_factor, student_factors

__all__ = [
    "LEAST_FOR_CHANGE",
    "STRICTER",
    "ChangePoint",
    "find_change",
    "fit_column",
    "fit_steps",
    "scatter_factor",
    "slope_level",
]

LEAST_FOR_CHANGE: Final = 6
_LEAST_ASIDE: Final = 2
_CORRELATED_SHARE: Final = 0.5
_CORRELATED_H: Final = 30.0
STRICTER: Final = 10.0
"""By so much smaller than that of a slope the chance of a change has to be: so slopes are found as
often as one who asks for nothing else finds them (89.9 of 100, and 90.1)."""
_WRONG: Final = 0.05
_DRAWS: Final = 2000
_ROUNDS: Final = 2
_ROUNDING: Final = 1e-9
_SEEN: Final = 0.90


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint:
    """The place at which a quantity changed most, and how sure that is."""

    after_h: float
    """It changed after this hour."""
    before_h: float
    """And before this one: between them nothing was found."""
    change: float
    """Of the value, in its unit."""
    low: float
    """Lower end of the 95 % interval of the change, for all places together."""
    high: float
    chance: float
    """How likely chance alone shows as large a change at any place, at most 1."""
    is_seen: bool
    """More than chance: `STRICTER` times `chance` below `slope_level`."""
    unseen_below: float
    """From this on a change there would have been seen in 90 of 100 or more."""


def scatter_factor(hours: Floats, weights: Floats) -> Floats:
    """Return the Cholesky factor of the scatter of n findings, as far as its shape is known."""
    distance = np.abs(hours[:, None] - hours[None, :])
    correlation = (1.0 - _CORRELATED_SHARE) * np.eye(len(hours))
    correlation += _CORRELATED_SHARE * np.exp(-distance / _CORRELATED_H)
    return np.asarray(np.linalg.cholesky(correlation * weights[:, None] * weights[None, :]))


def fit_column(factor: Floats, column: Floats, values: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the coefficients of a column beside a constant, their uncertainties, and residuals.

    Parameters
    ----------
    factor
        Of n findings; see `scatter_factor`.
    column
        Of n: hours for a slope, nought and one for a step.
    values
        Of n, in the last axis; any number of series before it.

    Returns
    -------
    coefficient, uncertainty, residual
        Of each series; the residual as a sum of squares.
    """
    white = np.linalg.solve(factor, np.column_stack([np.ones(len(column)), column]))
    seen = np.linalg.solve(factor, np.atleast_2d(values).T)
    normal = np.linalg.inv(white.T @ white)
    found = normal @ white.T @ seen
    residual = np.sum((seen - white @ found) ** 2, axis=0)
    variance = residual / (len(column) - 2)
    shape = values.shape[:-1]
    return (
        found[1].reshape(shape),
        np.sqrt(variance * normal[1, 1]).reshape(shape),
        residual.reshape(shape),
    )


def fit_steps(hours: Floats, values: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Return changes, uncertainties and residuals at each place, along a new first axis.

    Findings of one hour are not parted. Place k lies before finding `_LEAST_ASIDE` + k.
    """
    factor = scatter_factor(hours, weights)
    places = _places(hours)
    fits = [
        fit_column(factor, (np.arange(len(hours)) >= place).astype(float), values)
        for place in places
    ]
    changes, uncertainties, residuals = (np.array(one) for one in zip(*fits, strict=True))
    together = np.array([hours[place] == hours[place - 1] for place in places])
    residuals[together] = np.inf
    return changes, uncertainties, residuals


def slope_level(hours: Floats, weights: Floats) -> float:
    """Return the chance below which a slope is told, a change below a `STRICTER`th of it.

    Both together are then told of nothing in 5 of 100. What they make of noise does not depend on
    its size, so it is drawn for these very hours: only where a change is told, which by Student's
    law is known to happen how often, to see in how many of these a slope is told as well.
    """
    return _level(tuple(hours), tuple(weights))


@lru_cache(maxsize=256)
def _level(hours: Sequence[float], weights: Sequence[float]) -> float:
    at = np.array(hours)
    places = [place for place in _places(at) if at[place] > at[place - 1]]
    if len(at) < LEAST_FOR_CHANGE or not places:
        return _WRONG
    columns = [at, *((np.arange(len(at)) >= place).astype(float) for place in places)]
    factor = scatter_factor(at, np.array(weights))
    white = np.linalg.solve(factor, np.column_stack([np.ones(len(at)), *columns]))
    base, _ = np.linalg.qr(white[:, :1], mode="complete")
    directions = (base[:, 1:].T @ white[:, 1:]).T
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    level = _WRONG
    for _ in range(_ROUNDS):
        level = _WRONG / (1.0 + _added_share(directions, level) / STRICTER)
    return level


def _added_share(directions: Floats, level: float) -> float:
    """Return the share of `level` / `STRICTER` in which a change is told of noise, and no slope.

    `directions`: unit vectors of the slope and of the change at each place, a row each, beside
    whatever is constant. The cosine between them and the noise is all that a fit of one is.
    """
    places, freedom = len(directions) - 1, float(directions.shape[1] - 1)
    alone = level / STRICTER / places
    dice = np.random.default_rng(1)
    chosen = directions[dice.integers(1, places + 1, _DRAWS)]
    rest = dice.normal(size=chosen.shape)
    rest -= np.sum(rest * chosen, axis=1, keepdims=True) * chosen
    rest /= np.linalg.norm(rest, axis=1, keepdims=True)
    t = student_factors(np.full((_DRAWS, 1), freedom), 1.0 - alone * dice.random((_DRAWS, 1)))
    noise = (chosen * t + rest * np.sqrt(freedom)) / np.sqrt(t**2 + freedom)
    cosines = np.abs(noise @ directions.T)

    def least(chance: float) -> float:
        factor = student_factor(freedom, 1.0 - chance)
        return factor / math.sqrt(factor**2 + freedom) - _ROUNDING

    # Told at several places it is drawn as often as at so many: each such counts as one.
    changes = np.sum(cosines[:, 1:] >= least(alone), axis=1)
    return float(np.mean((cosines[:, 0] < least(level)) / changes))


def _places(hours: Floats) -> range:
    return range(_LEAST_ASIDE, len(hours) - _LEAST_ASIDE + 1)


def find_change(hours: Floats, values: Floats, weights: Floats) -> ChangePoint | None:
    """Return the largest change of n findings in order of their hours; None from fewer than six."""
    if len(hours) < LEAST_FOR_CHANGE:
        return None
    changes, uncertainties, residuals = fit_steps(hours, values, weights)
    places = int(np.isfinite(residuals).sum())
    if places == 0:
        return None
    best = int(np.argmin(residuals))
    freedom = float(len(hours) - 2)
    change, uncertainty = float(changes[best]), float(uncertainties[best])
    alone = float(chances_of(changes[best], uncertainties[best], np.array(freedom)))
    chance = min(alone * places, 1.0)
    level = slope_level(hours, weights) / STRICTER
    threshold = student_factor(freedom, 1.0 - level / places)
    reach = student_factor(freedom, 1.0 - _WRONG / places) * uncertainty
    beyond = student_factor(freedom, 2.0 * _SEEN - 1.0)
    return ChangePoint(
        after_h=float(hours[_LEAST_ASIDE + best - 1]),
        before_h=float(hours[_LEAST_ASIDE + best]),
        change=change,
        low=change - reach,
        high=change + reach,
        chance=chance,
        is_seen=chance < level,
        unseen_below=(threshold + beyond) * uncertainty,
    )
