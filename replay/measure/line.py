"""A straight line fitted by least squares, with the covariance of its coefficients. Pure.

JCGM 100, H.3; the residual standard deviation is held from below by what rounding alone makes.
"""

import math
from dataclasses import dataclass

from logger.arrays import Floats

__all__ = ["StraightLine", "fit_line"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightLine:
    """y = intercept + slope (x - origin)."""

    intercept: float
    slope: float
    intercept_uncertainty: float
    slope_uncertainty: float
    correlation: float
    """Of intercept and slope."""
    residual: float
    """Standard deviation of the readings about the line."""
    dof: int
    origin: float

    def value_at(self, x: float) -> tuple[float, float]:
        """Return the line at x and its standard uncertainty (JCGM 100, H.3.4)."""
        far = x - self.origin
        variance = (
            self.intercept_uncertainty**2
            + (far * self.slope_uncertainty) ** 2
            + 2.0 * far * self.correlation * self.intercept_uncertainty * self.slope_uncertainty
        )
        return self.intercept + self.slope * far, math.sqrt(max(variance, 0.0))


def fit_line(
    x: Floats, y: Floats, *, origin: float = 0.0, least_scatter: float = 0.0
) -> StraightLine:
    """Return the line through n points by least squares, shape (n,) both.

    Parameters
    ----------
    origin
        Where the intercept is told.
    least_scatter
        The least standard deviation that a reading has: readings that are rounded alike lie on a
        line by more than they should.

    Raises
    ------
    ValueError
        Fewer than three points, or all at one x.
    """
    far = x - origin
    mean = float(far.mean())
    spread = float(((far - mean) ** 2).sum())
    if len(x) < 3 or spread <= 0.0:
        raise ValueError("a line and its scatter need three points, not all at one x")
    slope = float(((far - mean) * (y - y.mean())).sum()) / spread
    intercept = float(y.mean()) - slope * mean
    squares = float(((y - intercept - slope * far) ** 2).sum())
    dof = len(x) - 2
    residual = max(math.sqrt(squares / dof), least_scatter)
    u_slope = residual / math.sqrt(spread)
    u_intercept = residual * math.sqrt(1.0 / len(x) + mean**2 / spread)
    return StraightLine(
        intercept=intercept,
        slope=slope,
        intercept_uncertainty=u_intercept,
        slope_uncertainty=u_slope,
        correlation=-mean * residual**2 / spread / (u_slope * u_intercept) if residual else 0.0,
        residual=residual,
        dof=dof,
        origin=origin,
    )
