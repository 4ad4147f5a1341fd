"""How well an instrument's windows fit the joint's, for each offset, drift, lag and way of reading.

The instrument is taken as a + b h(t + offset + drift (t - middle)), with h the joint's channel as
an instrument of that lag shows it, a of its own in each window, b one for all. For given h both
are linear, so what is left over follows from three sums a window. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from replay.instruments.reference import Reference

__all__ = ["FitGrid", "Window", "fit_grid", "residuals_of"]

_ROWS_AT_ONCE: Final = 4_000_000
_FORGOTTEN: Final = 12.0
"""Time constants after which a slow sensor has forgotten what was before."""
_SPARE_S: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Window:
    """A stretch of the instrument's readings and what the joint did around it."""

    times_s: Floats
    """Shape (k,): by the instrument's clock, from the middle of all windows."""
    values: Floats
    reference: Reference
    centred: Floats = field(init=False)
    middle_s: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "centred", self.values - self.values.mean())
        object.__setattr__(self, "middle_s", float(self.times_s.mean()))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FitGrid:
    """What is left over of the instrument's variance at each point of a grid."""

    offsets_s: Floats
    drifts: Floats
    """Seconds a second."""
    lags_s: Floats
    means_s: tuple[float, ...]
    left_over: NDArray[np.float64]
    """Sum of squares, shape (means, lags, drifts, offsets)."""


def fit_grid(
    windows: Sequence[Window],
    *,
    offsets_s: Floats,
    drifts: Floats,
    lags_s: Floats,
    means_s: tuple[float, ...],
) -> FitGrid:
    """Return what is left over at each point of a grid; `offsets_s` must be evenly spaced."""
    step_s = float(offsets_s[1] - offsets_s[0])
    middles_s = np.array([window.middle_s for window in windows])
    # A window's own offset is offset + drift * its time: the offsets of the grid, some steps aside.
    centre = float(drifts[len(drifts) // 2])
    aside = np.rint((drifts[:, None] - centre) * middles_s[None, :] / step_s).astype(np.int64)
    reach = int(np.abs(aside).max(initial=0))
    wide_s = offsets_s[0] + step_s * np.arange(-reach, len(offsets_s) + reach)
    total = sum(float(window.centred @ window.centred) for window in windows)
    left_over = np.empty((len(means_s), len(lags_s), len(drifts), len(offsets_s)))
    columns = np.arange(len(offsets_s))[None, :] + reach
    for at_lag, lag_s in enumerate(lags_s.tolist()):
        crossed = np.zeros((len(means_s), len(drifts), len(offsets_s)))
        squared = np.zeros_like(crossed)
        for at, window in enumerate(windows):
            taken = columns + aside[:, at][:, None]
            own_s = wide_s + centre * middles_s[at]
            sums = _sums(window, lag_s, means_s, own_s)
            for at_mean, (cross, square) in enumerate(sums):
                crossed[at_mean] += cross[taken]
                squared[at_mean] += square[taken]
        explained = np.divide(
            crossed**2, squared, out=np.zeros_like(crossed), where=squared > 1e-12 * total
        )
        left_over[:, at_lag] = np.maximum(total - explained, 1e-12 * total)
    return FitGrid(
        offsets_s=offsets_s, drifts=drifts, lags_s=lags_s, means_s=means_s, left_over=left_over
    )


def _sums(
    window: Window, lag_s: float, means_s: tuple[float, ...], offsets_s: Floats
) -> list[tuple[Floats, Floats]]:
    """Return for each averaging the sums of h z and h h at each offset, both about their means."""
    reference = window.reference.between(
        window.times_s[0] + offsets_s[0] - _FORGOTTEN * lag_s - max(means_s) - _SPARE_S,
        window.times_s[-1] + offsets_s[-1],
    )
    lagged = reference.lagged(lag_s)
    sums = []
    rows = max(_ROWS_AT_ONCE // len(window.times_s), 1)
    for mean_s in means_s:
        shown = lagged.averaged(mean_s)
        cross, square = np.empty(len(offsets_s)), np.empty(len(offsets_s))
        for begin in range(0, len(offsets_s), rows):
            part = slice(begin, begin + rows)
            h = shown.values[shown.rows_at(offsets_s[part, None] + window.times_s[None, :])]
            cross[part] = h @ window.centred
            square[part] = np.einsum("ij,ij->i", h, h) - h.sum(axis=1) ** 2 / h.shape[1]
        sums.append((cross, square))
    return sums


def residuals_of(
    windows: Sequence[Window], *, offset_s: float, drift: float, lag_s: float, mean_s: float
) -> list[Floats]:
    """Return what is left over of each window at one point."""
    shown = []
    for window in windows:
        at = window.times_s + offset_s + drift * window.middle_s
        whole = window.reference.lagged(lag_s).averaged(mean_s)
        h = whole.values[whole.rows_at(at)]
        shown.append(h - h.mean())
    squares = sum(float(h @ h) for h in shown)
    factor = 0.0
    if squares > 0.0:
        pairs = zip(shown, windows, strict=True)
        factor = sum(float(h @ window.centred) for h, window in pairs) / squares
    return [window.centred - factor * h for h, window in zip(shown, windows, strict=True)]
