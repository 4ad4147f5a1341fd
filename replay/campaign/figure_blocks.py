"""Figures of cycles as means over blocks of hours, with what is known to move them. Pure."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from replay.campaign.cycle_table import FigureValues, slices

__all__ = [
    "BLOCK_H",
    "LAGS_H",
    "FigureBlocks",
    "block_figures",
    "explained_terms",
    "lagged_temperatures",
]

BLOCK_H: Final = 1.0
"""Hours of which means are taken: the evidence of a step lies close to its date."""
LAGS_H: Final = (0.0, 2.0, 6.0)
"""A gear is behind the housing that is read: its temperature, and what it was hours ago."""
_RUNNING_IN_H: Final = (24.0, 42.0, 72.0)
"""Three decays together follow any running-in of one to three days to a hundredth of it; two left
a sixteenth, which was a change where noise is small."""

_LEAST_OWN: Final = 1e-6
"""Share of a term that no others make up, for it to be one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureBlocks:
    """n blocks of k figures."""

    names: tuple[str, ...]
    start_h: Floats
    """Hours from the campaign's beginning, shape (n,)."""
    counts: Floats
    """Cycles in each, shape (n,)."""
    values: Floats
    """Means, shape (n, k); NaN where a figure is not known."""
    temperatures: Floats
    """Of the joint, by lag, shape (n, lags); no column where none is known."""
    runs_in: bool
    """The campaign begins with what is new: its first days are running-in."""

    def until(self, end_h: float) -> "FigureBlocks":
        """Return the blocks that begin before an instant."""
        return self.chosen(self.start_h < end_h)

    def chosen(self, rows: NDArray[np.bool_]) -> "FigureBlocks":
        """Return some of the blocks."""
        return replace(
            self,
            start_h=self.start_h[rows],
            counts=self.counts[rows],
            values=self.values[rows],
            temperatures=self.temperatures[rows],
        )


def explained_terms(blocks: FigureBlocks) -> Floats:
    """Return what is no change of the joint, shape (n, p), none of it a sum of the others."""
    columns = [np.ones(len(blocks.start_h))]
    columns += [column - column.mean() for column in blocks.temperatures.T]
    if blocks.runs_in:
        columns += [np.exp(-blocks.start_h / lag_h) for lag_h in _RUNNING_IN_H]
    kept: list[Floats] = []
    for column in columns:
        own = column
        if kept:
            basis = np.linalg.qr(np.column_stack(kept))[0]
            own = column - basis @ (basis.T @ column)
        if float(np.linalg.norm(own)) > _LEAST_OWN * max(float(np.linalg.norm(column)), 1e-30):
            kept.append(column)
    return np.column_stack(kept)


def lagged_temperatures(at_h: Floats, temperature: Floats) -> Floats:
    """Return a temperature as something follows it that is behind, a column for each of `LAGS_H`.

    By the hours that really passed. It has to go on over stops, in which a joint cools: a lag that
    runs over a stop as if nothing lay between makes changes of what is none.
    """
    columns = []
    for lag_h in LAGS_H:
        if lag_h <= 0.0:
            columns.append(temperature)
            continue
        out = np.empty(len(temperature))
        shares = 1.0 - np.exp(-np.diff(at_h, prepend=at_h[:1]) / lag_h)
        now = float(temperature[0])
        for at, (share, value) in enumerate(
            zip(shares.tolist(), temperature.tolist(), strict=True)
        ):
            now += share * (value - now)
            out[at] = now
        columns.append(out)
    return np.stack(columns, axis=1)


def block_figures(
    names: Sequence[str],
    at_h: Floats,
    figures: Iterable[FigureValues],
    temperature: tuple[Floats, Floats] | None,
    *,
    runs_in: bool,
) -> FigureBlocks:
    """Return the means of cycles over blocks of an hour.

    Parameters
    ----------
    at_h
        When each cycle began, in hours from the campaign's beginning, in order; shape (n,), n > 0.
    figures
        k of them, each of shape (n,); NaN where one is not known.
    temperature
        Hours, and what the joint's temperature was then, stops included, by which figures are
        compared; None: it is not known.
    """
    first = int(np.floor(at_h[0] / BLOCK_H))
    size = int(np.floor(at_h[-1] / BLOCK_H)) - first + 1
    sums = partial(_block_sums, at_h, first, size)
    counts = sums(lambda own: np.ones(own.stop - own.start))
    used = counts > 0.0
    temperatures = np.empty((size, 0))
    if temperature is not None and len(temperature[0]):
        lagged = lagged_temperatures(*temperature).T
        temperatures = np.stack(
            [sums(partial(_interpolated, at_h, temperature[0], one)) for one in lagged], axis=1
        )
    means = np.empty((size, len(names)))
    for place, figure in enumerate(figures):
        number, total = sums(partial(_known, figure)), sums(partial(_filled, figure))
        means[:, place] = np.where(number > 0.0, total / np.maximum(number, 1.0), np.nan)
    return FigureBlocks(
        names=tuple(names),
        start_h=np.asarray((first + np.flatnonzero(used)) * BLOCK_H, np.float64),
        counts=counts[used],
        values=means[used],
        temperatures=temperatures[used] / counts[used, None],
        runs_in=runs_in,
    )


def _block_sums(
    at_h: Floats, first: int, size: int, values: Callable[[slice], NDArray[Any]]
) -> Floats:
    """Return the sums over `size` blocks, of which the earliest has the number `first`.

    `values`: gives those of a slice of the cycles. No more than a slice is there at once.
    """
    total = np.zeros(size)
    for own in slices(len(at_h)):
        block = np.floor(at_h[own] / BLOCK_H).astype(np.int64) - first
        total += np.bincount(block, weights=values(own), minlength=size)
    return total


def _interpolated(at_h: Floats, hours: Floats, course: Floats, own: slice) -> Floats:
    return np.interp(at_h[own], hours, course)


def _known(figure: FigureValues, own: slice) -> NDArray[np.bool_]:
    return np.isfinite(figure[own])


def _filled(figure: FigureValues, own: slice) -> FigureValues:
    piece = figure[own]
    return np.where(np.isfinite(piece), piece, 0.0)
