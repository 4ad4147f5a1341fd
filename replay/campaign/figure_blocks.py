"""Figures of cycles as means over blocks of hours, with what is known to move them. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats

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
    figures: Floats,
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
        Of each cycle, shape (n, k); NaN where one is not known.
    temperature
        Hours, and what the joint's temperature was then, stops included, by which figures are
        compared; None: it is not known.
    """
    block = np.floor(at_h / BLOCK_H).astype(np.int64)
    heads = np.flatnonzero(np.diff(block, prepend=block[:1] - 1))
    counts = np.diff(np.append(heads, len(block))).astype(np.float64)
    known = np.isfinite(figures)
    total = np.add.reduceat(np.where(known, figures, 0.0), heads, axis=0)
    number = np.add.reduceat(known.astype(np.float64), heads, axis=0)
    temperatures = np.empty((len(heads), 0))
    if temperature is not None and len(temperature[0]):
        lagged = lagged_temperatures(*temperature)
        own = np.stack([np.interp(at_h, temperature[0], one) for one in lagged.T], axis=1)
        temperatures = np.add.reduceat(own, heads, axis=0) / counts[:, None]
    return FigureBlocks(
        names=tuple(names),
        start_h=np.asarray(block[heads] * BLOCK_H, np.float64),
        counts=counts,
        values=np.where(number > 0.0, total / np.maximum(number, 1.0), np.nan),
        temperatures=np.asarray(temperatures, np.float64),
        runs_in=runs_in,
    )
