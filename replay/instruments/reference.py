"""What the joint did, as an instrument of a given lag and averaging time would have shown it.

A reference is the joint's channel on a fine and even grid of time. Its noise is taken out where it
stands still, its edges are kept: noise that the instrument does not see would make one offset look
better than the next by chance. Pure.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from logger.arrays import Floats, Ints

__all__ = ["Reference", "reference_on_grid", "running_means"]

_SHORT_S: Final = 0.05
"""Over how long its median follows an edge."""
_LONG_S: Final = 0.6
"""Over how long its median is taken where it stands still."""
_EDGE_SDS: Final = 4.0
_STILL_SDS: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reference:
    """The joint's channel around one window of the instrument."""

    start_s: float
    step_s: float
    values: Floats
    """Shape (n,): one value a step."""

    def between(self, begin_s: float, end_s: float) -> "Reference":
        """Return what of it lies in [begin_s, end_s], at least one value."""
        first, last = self.rows_at(np.array([begin_s, end_s])).tolist()
        return self._with(self.values[first : last + 1], first)

    def lagged(self, lag_s: float) -> "Reference":
        """Return it as a sensor of first order shows it; `lag_s`: its time constant, 0 for none."""
        if lag_s <= 0.0:
            return self
        # Imported here: it loads half of scipy, 26 MB in a server that may never ask for it.
        from scipy.signal import lfilter  # noqa: PLC0415

        keep = float(np.exp(-self.step_s / lag_s))
        settled = [keep * self.values[0]]
        return self._with(lfilter([1.0 - keep], [1.0, -keep], self.values, zi=settled)[0])

    def averaged(self, mean_s: float) -> "Reference":
        """Return the mean over so long before each time; 0: it itself."""
        steps = round(mean_s / self.step_s)
        return self._with(running_means(self.values, steps)) if steps > 1 else self

    def _with(self, values: Floats, first: int = 0) -> "Reference":
        start_s = self.start_s + first * self.step_s
        return Reference(start_s=start_s, step_s=self.step_s, values=values)

    def rows_at(self, times_s: Floats) -> Ints:
        """Return the step nearest to each time, kept within the grid."""
        rows = np.rint((times_s - self.start_s) / self.step_s).astype(np.int64)
        return np.clip(rows, 0, len(self.values) - 1)


def running_means(values: Floats, steps: int) -> Floats:
    """Return the mean of each value and those before it, `steps` in all, shape (n,)."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    ends = np.arange(1, len(values) + 1)
    begins = np.maximum(ends - steps, 0)
    means: Floats = (sums[ends] - sums[begins]) / (ends - begins)
    return means


def reference_on_grid(
    times_s: Floats, values: Floats, *, start_s: float, end_s: float, step_s: float
) -> Reference:
    """Return a channel's readings on an even grid over [start_s, end_s].

    Parameters
    ----------
    times_s, values
        Shape (n,), n of at least one, in order of time.
    """
    grid = start_s + step_s * np.arange(max(int((end_s - start_s) / step_s) + 1, 2))
    even = np.interp(grid, times_s, values)
    return Reference(start_s=start_s, step_s=step_s, values=_quieted(even, step_s))


def _quieted(values: Floats, step_s: float) -> Floats:
    """Return it with less noise where it stands still, and its edges where they were."""
    short = 2 * round(_SHORT_S / step_s / 2) + 1
    long = 2 * round(_LONG_S / step_s / 2) + 1
    if long < 5:
        return values
    quick = median_filter(values, size=short, mode="nearest") if short > 1 else values
    slow = uniform_filter1d(median_filter(quick, size=long, mode="nearest"), long, mode="nearest")
    away = np.abs(quick - slow)
    noise = 1.4826 * float(np.median(away))
    is_edge = (
        uniform_filter1d((away > _EDGE_SDS * noise).astype(float), long, mode="nearest") > 0.02
    )
    quieted: Floats = np.where(is_edge, _one_sided(quick, long // 2, noise), slow)
    return quieted


def _one_sided(values: Floats, steps: int, noise: float) -> Floats:
    """Return means over the stretch before or after each value, whichever stands still.

    Where neither does the value itself stays.
    """
    before, before_var = _mean_and_variance(values, steps)
    after, after_var = (part[::-1] for part in _mean_and_variance(values[::-1], steps))
    is_before = before_var < after_var
    is_still = np.minimum(before_var, after_var) < (_STILL_SDS * noise) ** 2
    sided: Floats = np.where(is_still, np.where(is_before, before, after), values)
    return sided


def _mean_and_variance(values: Floats, steps: int) -> tuple[Floats, Floats]:
    middle = float(values.mean())
    means = running_means(values - middle, steps)
    squares = running_means((values - middle) ** 2, steps)
    return means + middle, np.maximum(squares - means**2, 0.0)
