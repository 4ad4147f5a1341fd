"""Levels of current and what a scale read: those on the loading and on the unloading branch. Pure.

The friction of a gear turns around with the direction: while the current rises the output has less
than the motor makes, while it falls it has more. After each turn the scale stands until all of the
friction has turned; those levels are on no branch.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from logger.arrays import Floats, Ints
from replay.measure.line import StraightLine, fit_line

__all__ = ["Branch", "LoadLevels", "assign_branches", "bend_of", "fit_branch", "saturation_spread"]

_MOVED = 0.5
"""Share of what a branch asks for that the scale has to move by to be on it."""


class Branch(IntEnum):
    """Where a level lies."""

    NONE = 0
    LOADING = 1
    UNLOADING = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLevels:
    """n levels in the order in which they were held; shape (n,) each, both of positive sense."""

    current_A: Floats  # noqa: N815 - the unit's own spelling
    torque_Nm: Floats  # noqa: N815


def assign_branches(levels: LoadLevels) -> Ints:
    """Return the branch of each level, shape (n,)."""
    current, torque = levels.current_A, levels.torque_Nm
    n = len(current)
    out = np.zeros(n, np.int64)
    if n < 2:
        return out
    rise, moved = np.diff(current), np.diff(torque)
    rising = rise > 0.0
    slopes = moved[rising] / rise[rising] if rising.any() else moved / np.where(rise, rise, 1.0)
    slope = float(np.quantile(slopes, 0.75))
    direction, on_branch = 0, False
    for index in range(1, n):
        sense = int(np.sign(rise[index - 1]))
        if sense == 0:
            out[index] = direction if on_branch else 0
            continue
        if sense != direction:
            direction, on_branch = sense, False
        if not on_branch:
            on_branch = bool(sense * moved[index - 1] > _MOVED * slope * abs(rise[index - 1]))
        if on_branch:
            out[index] = direction
    return out


def fit_branch(
    levels: LoadLevels, branch: Ints, which: Branch, *, least_scatter: float, is_bent: bool
) -> StraightLine | None:
    """Return the line of a branch, its slope at small current; None with fewer than three levels.

    Parameters
    ----------
    least_scatter
        What rounding alone makes, in N.m.
    is_bent
        The torque saturates: the line is the tangent at no current of a cubic.
    """
    rows = branch == int(which)
    current, torque = levels.current_A[rows], levels.torque_Nm[rows]
    if len(current) < (5 if is_bent else 3) or np.ptp(current) <= 0.0:
        return None
    if not is_bent:
        return fit_line(current, torque, least_scatter=least_scatter)
    (intercept, slope, _), cov, residual = _saturating(current, torque, least_scatter)
    u_intercept, u_slope = float(np.sqrt(cov[0, 0])), float(np.sqrt(cov[1, 1]))
    return StraightLine(
        intercept=float(intercept),
        slope=float(slope),
        intercept_uncertainty=u_intercept,
        slope_uncertainty=u_slope,
        correlation=float(cov[0, 1]) / (u_intercept * u_slope),
        residual=residual,
        dof=len(current) - 3,
        origin=0.0,
    )


def bend_of(levels: LoadLevels, branch: Ints, *, least_scatter: float) -> float:
    """Return the curvature of the loading branch in its standard uncertainties; 0: not known."""
    rows = branch == int(Branch.LOADING)
    if rows.sum() < 5:
        return 0.0
    found, cov, _ = _saturating(levels.current_A[rows], levels.torque_Nm[rows], least_scatter)
    return float(found[2] / np.sqrt(cov[2, 2])) if cov[2, 2] > 0.0 else 0.0


def saturation_spread(levels: LoadLevels, branch: Ints) -> float:
    """Return what the law of saturation adds to a slope at small current: relative, standard.

    The iron's law is not known: a cubic and a parabola through the same levels bound it.
    """
    rows = branch == int(Branch.LOADING)
    cubic, square = (
        _saturating(levels.current_A[rows], levels.torque_Nm[rows], 0.0, power=power)[0][1]
        for power in (3, 2)
    )
    return float(abs(square - cubic) / abs(cubic) / np.sqrt(12.0))


def _saturating(
    x: Floats, y: Floats, least_scatter: float, *, power: int = 3
) -> tuple[Floats, Floats, float]:
    # Iron saturates alike in either direction, so that its torque is odd in the current.
    design = np.stack([np.ones(len(x)), x, x**power], axis=1)
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    squares = float(((y - design @ found) ** 2).sum())
    residual = max(float(np.sqrt(squares / (len(x) - 3))), least_scatter)
    cov = np.linalg.pinv(design.T @ design) * residual**2
    return np.asarray(found, np.float64), cov, residual
