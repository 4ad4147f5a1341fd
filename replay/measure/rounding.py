"""Readings of a ruler or scale: what they tell when each is only known to its division. Pure.

Rounding repeats: five equal readings are one, so their error is not divided by the root of five;
where readings scatter by more than a division, their mean is. The likelihood tells the two apart:
a reading k says that the value with its scatter lay in k +- half a division, the scatter is unknown
(its prior flat in the logarithm), and the position of each group likewise.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy.special import log_ndtr, ndtr

from logger.arrays import Floats

__all__ = ["draw_positions"]

_SCATTERS: Final = 32
_POSITIONS: Final = 193
_LEAST: Final = 0.04
"""Smallest scatter on the grid, in divisions: below it a reading is as if there were none."""


def draw_positions(
    groups: Sequence[Floats], division: float, *, n: int, dice: np.random.Generator
) -> Floats:
    """Return n draws of the true position behind each group of readings; shape (n, groups).

    Parameters
    ----------
    groups
        Readings, each group of one position, all with one instrument and one scatter.
    division
        What the instrument is read to, in the unit of the readings; greater than 0.
    """
    scatters = _scatter_grid(groups, division)
    reach = 0.5 * division + 4.0 * scatters[-1]
    grids = [
        np.linspace(float(one.min()) - reach, float(one.max()) + reach, _POSITIONS)
        for one in groups
    ]
    logs = np.stack(
        [
            _log_likelihood(one, grid, scatters, division)
            for one, grid in zip(groups, grids, strict=True)
        ],
        axis=1,
    )  # scatter, group, position
    top = logs.max(axis=2, keepdims=True)
    shares = np.exp(logs - top)
    steps = np.array([grid[1] - grid[0] for grid in grids])
    evidence = (np.log(shares.sum(axis=2) * steps) + top[:, :, 0]).sum(axis=1)
    weight = np.exp(evidence - evidence.max())
    chosen = dice.multinomial(n, weight / weight.sum())
    out = np.empty((n, len(groups)))
    begin = 0
    for index, count in enumerate(chosen):
        if count == 0:
            continue
        for group, grid in enumerate(grids):
            cumulated = np.cumsum(shares[index, group])
            picked = np.searchsorted(cumulated, dice.uniform(0.0, cumulated[-1], count))
            spread = dice.uniform(-0.5, 0.5, count) * steps[group]
            out[begin : begin + count, group] = grid[picked] + spread
        begin += count
    return out[dice.permutation(n)]


def _scatter_grid(groups: Sequence[Floats], division: float) -> Floats:
    """Return the scatters that are tried: from far below a division to beyond what was seen."""
    squares = sum(float(((one - one.mean()) ** 2).sum()) for one in groups)
    dof = sum(len(one) - 1 for one in groups)
    seen = np.sqrt(squares / dof) if dof else 0.0
    # Few readings may scatter by much less than their instrument does.
    most = max(6.0 / np.sqrt(max(dof, 1.0)) * seen, 2.5 * seen, (1.5 if dof else 0.5) * division)
    return np.geomspace(_LEAST * division, most, _SCATTERS)


def _log_likelihood(readings: Floats, grid: Floats, scatters: Floats, division: float) -> Floats:
    """Return the logarithm of the likelihood of one group; shape (scatters, positions)."""
    values, counts = np.unique(readings, return_counts=True)
    distance = np.abs(values[None, None, :] - grid[None, :, None]) / scatters[:, None, None]
    half = 0.5 * division / scatters[:, None, None]
    # P = ndtr(half - d) - ndtr(-half - d); its logarithm far out, where both are nearly nothing.
    near = ndtr(half - distance) - ndtr(-half - distance)
    logs = np.where(near > 1e-280, np.log(np.maximum(near, 1e-300)), log_ndtr(half - distance))
    return np.asarray((logs * counts).sum(axis=2))
