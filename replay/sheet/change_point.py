"""Whether a quantity changed at one time, and when it would not have been seen. Pure.

Every place between two findings is tried, with two findings at least on either side. So many places
are so many questions: the chance of the best is multiplied by their number (Bonferroni), which is
strict, and from few findings a change has to be large. The scatter is taken as `trend` takes it,
half of it correlated over 30 h; what the findings share has no part in it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.uncertainty import chances_of, student_factor

__all__ = [
    "LEAST_FOR_CHANGE",
    "ChangePoint",
    "find_change",
    "fit_column",
    "fit_steps",
    "scatter_factor",
]

LEAST_FOR_CHANGE: Final = 6
_LEAST_ASIDE: Final = 2
_CORRELATED_SHARE: Final = 0.5
_CORRELATED_H: Final = 30.0
_SIGNIFICANT: Final = 0.01
"""Beside a slope's 5 %: so the two together say a false word in little more than 5 of 100."""
_WRONG: Final = 0.05
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
    """More than chance: `chance` below 1 %."""
    unseen_below: float
    """A change there under this would have been seen in fewer than 90 of 100."""
    residual: float
    """Sum of squares that it leaves, by which it is held against a straight line."""


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
    places = range(_LEAST_ASIDE, len(hours) - _LEAST_ASIDE + 1)
    fits = [
        fit_column(factor, (np.arange(len(hours)) >= place).astype(float), values)
        for place in places
    ]
    changes, uncertainties, residuals = (np.array(one) for one in zip(*fits, strict=True))
    together = np.array([hours[place] == hours[place - 1] for place in places])
    residuals[together] = np.inf
    return changes, uncertainties, residuals


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
    threshold = student_factor(freedom, 1.0 - _SIGNIFICANT / places)
    reach = student_factor(freedom, 1.0 - _WRONG / places) * uncertainty
    beyond = student_factor(freedom, 2.0 * _SEEN - 1.0)
    return ChangePoint(
        after_h=float(hours[_LEAST_ASIDE + best - 1]),
        before_h=float(hours[_LEAST_ASIDE + best]),
        change=change,
        low=change - reach,
        high=change + reach,
        chance=chance,
        is_seen=chance < _SIGNIFICANT,
        unseen_below=(threshold + beyond) * uncertainty,
        residual=float(residuals[best]),
    )
