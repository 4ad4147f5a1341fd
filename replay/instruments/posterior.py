"""Where offset, drift and lag of an instrument are likely to be: a grid, narrowed step by step.

First all offsets that are possible, coarsely; then around each of the best, until the grid covers
what is likely and no more. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from replay.instruments.match import FitGrid, Window, fit_grid, residuals_of

__all__ = ["MAX_DRIFT", "Posterior", "Start", "coarse_starts", "narrow_down"]

MAX_DRIFT: Final = 250e-6
"""Seconds a second: more than any quartz is off."""
_COARSE_LAGS_S: Final = np.array([0.0, 1.0, 6.0, 30.0])
_LAG_REACH_S: Final = (0.8, 3.0, 10.0, 25.0)
"""How far an offset may be off that was found with each of these lags."""
_LONGEST_LAG_S: Final = 90.0
_SHORTEST_LAG_S: Final = 0.005
_STAGES: Final = 8
_STALLED: Final = 0.8
_KEPT: Final = 12.0
"""Of the logarithm of the posterior: what is further below its top is left out."""
_MOST_STARTS: Final = 4
_START_RATIO: Final = 2.0

_Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A match that was found coarsely."""

    offset_s: float
    drift: float
    lag: int
    """Place of its lag among those that were tried."""
    step_s: float
    """How coarsely its offset was found."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Posterior:
    """How likely each point of a grid is."""

    grid: FitGrid
    log: NDArray[np.float64]
    """Its logarithm but for a constant, shape (means, lags, drifts, offsets)."""
    freedom: float
    """How many independent readings there are, beyond what was fitted."""

    @property
    def top(self) -> tuple[int, int, int, int]:
        """The place of the likeliest point."""
        at = np.unravel_index(int(np.argmax(self.log)), self.log.shape)
        return int(at[0]), int(at[1]), int(at[2]), int(at[3])

    @property
    def left_over(self) -> float:
        """The sum of squares that is left over there."""
        return float(self.grid.left_over[self.top])

    @property
    def weights(self) -> NDArray[np.float64]:
        """How likely each point is, 1 in all."""
        weights: NDArray[np.float64] = np.exp(self.log - self.log.max())
        weights /= weights.sum()
        return weights


def coarse_starts(windows: Sequence[Window], period_s: float, within_s: float) -> list[Start]:
    """Return the best matches that lie apart from each other, the best first."""
    step_s = max(period_s / 2, within_s / 400)
    thinned = [_thinned(window, round(step_s / period_s)) for window in windows]
    half_s = max(abs(window.middle_s) for window in windows)
    most = min(MAX_DRIFT, within_s / half_s) if half_s else 0.0
    sides = int(np.ceil(most * half_s / step_s)) if most * half_s > step_s / 2 else 0
    drifts = np.linspace(-most, most, 2 * sides + 1) if sides else np.zeros(1)
    count = int(within_s / step_s) + 1
    grid = fit_grid(
        thinned,
        offsets_s=np.linspace(-count * step_s, count * step_s, 2 * count + 1),
        drifts=drifts,
        lags_s=_COARSE_LAGS_S,
        means_s=(max(period_s, step_s),),
    )
    left_over = grid.left_over[0]
    by_offset = left_over.min(axis=(0, 1))
    walled = np.r_[np.inf, by_offset, np.inf]
    is_open = (by_offset <= walled[:-2]) & (by_offset <= walled[2:])
    found: list[Start] = []
    for at in np.argsort(by_offset):
        if len(found) >= _MOST_STARTS or by_offset[at] > _START_RATIO * float(by_offset.min()):
            break
        if is_open[at]:
            lag, turn = np.unravel_index(int(np.argmin(left_over[:, :, at])), left_over.shape[:2])
            offset_s, drift = float(grid.offsets_s[at]), float(drifts[turn])
            found.append(Start(offset_s=offset_s, drift=drift, lag=int(lag), step_s=step_s))
            is_open[max(at - 3, 0) : at + 4] = False
    return found


def _thinned(window: Window, count: int) -> Window:
    """Return the window with means of so many readings each."""
    rows = len(window.times_s) // count * count if count > 1 else 0
    if rows < 4 * count or count < 2:
        return window
    return Window(
        times_s=window.times_s[:rows].reshape(-1, count)[:, -1],
        values=window.values[:rows].reshape(-1, count).mean(axis=1),
        reference=window.reference,
    )


def narrow_down(windows: Sequence[Window], start: Start, means_s: tuple[float, ...]) -> Posterior:
    """Return the posterior on a grid that covers what is likely around a first match.

    Parameters
    ----------
    means_s
        Over how long a reading of the instrument may be the mean; 0: it samples.
    """
    finest_s = min(window.reference.step_s for window in windows)
    half_s = max(abs(window.middle_s) for window in windows)
    reach_s = 3 * start.step_s + _LAG_REACH_S[start.lag]
    turn = 2 * start.step_s / half_s if half_s else 0.0
    offsets: _Range = (start.offset_s - reach_s, start.offset_s + reach_s)
    drifts: _Range = (start.drift - turn, start.drift + turn)
    longest_s = 4 * float(_COARSE_LAGS_S[start.lag]) + 2 * start.step_s + 0.5
    lags: _Range = (0.0, longest_s)

    def posterior(*, finely: bool) -> Posterior:
        low, high = max(drifts[0], -MAX_DRIFT), min(drifts[1], MAX_DRIFT)
        # A drift that moves no window by half a step of the reference is none.
        turns = np.linspace(low, high, 9)
        if (high - low) * half_s <= finest_s / 2:
            turns = np.array([(low + high) / 2])
        grid = fit_grid(
            windows,
            offsets_s=np.linspace(*offsets, 101 if finely else 61),
            drifts=turns,
            lags_s=_lag_grid(*lags, 24 if finely else 10, finest_s),
            means_s=means_s,
        )
        return _posterior(windows, grid)

    for stage in range(_STAGES):
        found = posterior(finely=False)
        before = (offsets, drifts, lags)
        likely = found.log >= found.log.max() - _kept_below(found)
        offsets = _box(found.grid.offsets_s, likely.any(axis=(0, 1, 2)))
        drifts = _box(found.grid.drifts, likely.any(axis=(0, 1, 3)))
        lags = _box(found.grid.lags_s, likely.any(axis=(0, 2, 3)))
        lags = (max(lags[0], 0.0), min(lags[1], _LONGEST_LAG_S))
        pairs = zip(before, (offsets, drifts, lags), strict=True)
        if stage > 1 and all(now[1] - now[0] > _STALLED * (old[1] - old[0]) for old, now in pairs):
            break
    return posterior(finely=True)


def _kept_below(found: Posterior) -> float:
    """Return how far below the top a point is still kept.

    At least down to the best of the neighbouring lags and drifts: while the grid is coarse, the
    truth lies between them, with an offset between theirs.
    """
    kept = _KEPT
    for axis in (1, 2):
        others = tuple(other for other in range(4) if other != axis)
        best = found.log.max(axis=others)
        at = found.top[axis]
        for neighbour in (at - 1, at + 1):
            if 0 <= neighbour < len(best):
                kept = max(kept, float(best[at] - best[neighbour]))
    return kept


def _lag_grid(low_s: float, high_s: float, count: int, finest_s: float) -> Floats:
    """Return lags from low to high, evenly by their logarithm; 0 too where it is possible."""
    first_s = max(low_s, finest_s / 2)
    if high_s <= first_s:
        return np.array([low_s])
    spaced = np.geomspace(first_s, high_s, count)
    return np.r_[0.0, spaced] if low_s < finest_s / 2 else spaced


def _box(values: Floats, likely: NDArray[np.bool_]) -> _Range:
    """Return the lowest and highest likely value, one step wider."""
    if len(values) == 1:
        return float(values[0]), float(values[0])
    at = np.flatnonzero(likely)
    low, high = max(at[0] - 1, 0), min(at[-1] + 1, len(values) - 1)
    below = values[low] - (values[1] - values[0]) * (at[0] == 0)
    above = values[high] + (values[-1] - values[-2]) * (at[-1] == len(values) - 1)
    return float(below), float(above)


def _posterior(windows: Sequence[Window], grid: FitGrid) -> Posterior:
    """Return how likely each point is, for white noise of unknown variance.

    What is left over is correlated where the instrument has slow noise: then it counts as so many
    fewer readings.
    """
    mean, lag, turn, at = np.unravel_index(int(np.argmin(grid.left_over)), grid.left_over.shape)
    left = residuals_of(
        windows,
        offset_s=float(grid.offsets_s[at]),
        drift=float(grid.drifts[turn]),
        lag_s=float(grid.lags_s[lag]),
        mean_s=grid.means_s[int(mean)],
    )
    squares = sum(float(one @ one) for one in left)
    pairs = sum(float(one[1:] @ one[:-1]) for one in left)
    alike = min(max(pairs / squares, 0.0), 0.99) if squares > 0.0 else 0.0
    independent = sum(len(one) for one in left) * (1.0 - alike) / (1.0 + alike)
    freedom = max(independent - len(windows) - 2, 1.0)
    log = -freedom / 2 * np.log(grid.left_over) + np.log(_lag_weights(grid.lags_s))[:, None, None]
    return Posterior(grid=grid, log=log, freedom=freedom)


def _lag_weights(lags_s: Floats) -> Floats:
    """Return the weight of each lag: half for none, half over the logarithm of the others."""
    weights = np.empty(len(lags_s))
    spaced = lags_s[lags_s > 0.0]
    zeros = len(lags_s) - len(spaced)
    weights[:zeros] = 0.5
    if len(spaced):
        width = np.log(spaced[1] / spaced[0]) if len(spaced) > 1 else 1.0
        weights[zeros:] = 0.5 * width / np.log(_LONGEST_LAG_S / _SHORTEST_LAG_S)
    return weights
