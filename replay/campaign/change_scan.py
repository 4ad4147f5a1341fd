"""Where figures of a campaign changed: all dates and shapes tried, noise learned. Pure.

Generalised least squares on block means. What temperature and running-in explain is projected out;
in what is left, the likelihood with a change of each date and shape is held against that without,
the noise learned in both (restricted likelihood: what was projected out costs no freedom twice).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from logger.arrays import Floats, Ints
from replay.campaign.figure_blocks import BLOCK_H
from replay.campaign.noise_grid import NOISES, Noise, white_products

__all__ = ["Candidates", "ChangeScan", "ChangeShape", "change_candidates", "scan_changes"]

DATE_STEP_H: Final = 1.0
"""Between dates that are tried; a step inside a block is taken as its fraction."""
STEP_MARGIN_H: Final = 24.0
RAMP_MARGIN_H: Final = 96.0
"""So much has to lie between a date and the end, and the former between it and the beginning."""
RUNNING_IN_MARGIN_H: Final = 72.0
_FOUND_SHARE: Final = 0.9
_STEPS_TRIED: Final = 50
_BISECTIONS: Final = 12
_LARGEST: Final = 1e12
_LEAST_LEFT: Final = 1e-6
"""Share of a change that is left once what is explained is projected out, for it to be told."""


class ChangeShape(StrEnum):
    """How a figure changed."""

    STEP = "step"
    RAMP = "ramp"
    """From its date to the end, evenly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Changes that are tried, m of them."""

    dates_h: Floats
    """Shape (m,)."""
    shapes: tuple[ChangeShape, ...]
    columns: Floats
    """Share of the change in each block, shape (n, m): 1 where all of it is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeScan:
    """What the figures say of every candidate; k figures, m candidates, g kinds of noise."""

    evidence: Floats
    """Twice the gain in log-likelihood, shape (k, m)."""
    size: Floats
    """Of the change by the likeliest noise, shape (k, m)."""
    deviation: Floats
    """Standard uncertainty of `size`, shape (k, m)."""
    quiet_noise: Ints
    """Likeliest noise without a change: its place in `NOISES`, shape (k,)."""
    scale: Floats
    """Standard deviation of a block by it, shape (k,)."""
    unseen_step: Floats
    """A smaller step would not have been called in 9 of 10, shape (k,)."""


def change_candidates(start_h: Floats, *, runs_in: bool) -> Candidates:
    """Return the changes that are tried for blocks with these beginnings.

    `runs_in`: within the first days nothing is told from running-in, but a ramp from the beginning.
    """
    first, end = float(start_h[0]), float(start_h[-1]) + BLOCK_H
    dates: list[Floats] = []
    columns: list[Floats] = []
    shapes: list[ChangeShape] = []
    for shape, margin in ((ChangeShape.STEP, STEP_MARGIN_H), (ChangeShape.RAMP, RAMP_MARGIN_H)):
        earliest = first + (RUNNING_IN_MARGIN_H if runs_in else STEP_MARGIN_H)
        tried = np.arange(earliest, end - margin, DATE_STEP_H)
        # A ramp is known less well by far: every twelve hours do.
        if shape is ChangeShape.RAMP:
            tried = np.concatenate([[first], tried[::12]])
        after = start_h[:, None] + BLOCK_H - tried[None, :]
        if shape is ChangeShape.STEP:
            columns.append(np.clip(after / BLOCK_H, 0.0, 1.0))
        else:
            # Mean over the block of what has passed since the date.
            begun = np.clip(after, 0.0, None)
            inside = np.clip(after - BLOCK_H, 0.0, None)
            columns.append((begun**2 - inside**2) / (2.0 * BLOCK_H * (end - tried)))
        dates.append(tried)
        shapes += [shape] * len(tried)
    return Candidates(
        dates_h=np.concatenate(dates), shapes=tuple(shapes), columns=np.concatenate(columns, axis=1)
    )


def scan_changes(
    values: Floats,
    explained: Floats,
    start_h: Floats,
    counts: Floats,
    candidates: Candidates,
    *,
    need: float,
    noises: Sequence[Noise] = NOISES,
) -> ChangeScan:
    """Return what figures say of each candidate.

    Parameters
    ----------
    values
        Block means of k figures, shape (n, k).
    explained
        What is projected out, shape (n, p): a constant, temperatures, running-in.
    start_h, counts
        Of the blocks, shape (n,).
    need
        Evidence from which a change is called.
    """
    n, terms = explained.shape
    figures = values.shape[1]
    free = n - terms
    head = terms + figures
    white = white_products(
        np.concatenate([explained, values, candidates.columns], axis=1),
        head,
        start_h,
        counts,
        noises,
    )
    # All columns with what is explained projected out, by the normal equations of each noise.
    known, rest = white.head[:, :terms], white.head[:, terms:]
    weights = np.linalg.solve(known[:, :, :terms], known)
    sizes = np.linalg.slogdet(known[:, :, :terms])[1]
    rest = rest - rest[:, :, :terms] @ weights
    left = np.maximum(np.einsum("gkk->gk", rest[:, :, terms:head]), 1e-300)
    along = rest[:, :, head:]
    whole = white.own[:, head:]
    length = whole - np.einsum("gpm,gpm->gm", known[:, :, head:], weights[:, :, head:])
    length = np.where(length > _LEAST_LEFT * whole, length, np.inf)[:, None, :]
    gained = np.minimum(along**2 / length, left[:, :, None] * (1.0 - 1e-12))
    base = (-white.log_determinant - 0.5 * sizes)[:, None]
    without = base - 0.5 * free * np.log(left)
    together = base[:, :, None] - 0.5 * free * np.log(left[:, :, None] - gained)
    quiet_noise = without.argmax(axis=0)
    best = together.argmax(axis=0)
    scale = np.sqrt(np.take_along_axis(left, quiet_noise[None], 0)[0] / free)
    steps = _tried_steps(candidates, np.asarray(np.isfinite(length).all(axis=(0, 1))))
    spread = np.sqrt((left[:, :, None] - gained) / max(free - 1, 1) / length)
    chosen = best[None]
    return ChangeScan(
        # Of all kinds of noise together: one that happens to fit best counts for less.
        evidence=2.0 * (logsumexp(together, axis=0) - logsumexp(without, axis=0)[:, None]),
        size=np.take_along_axis(along / length, chosen, 0)[0],
        deviation=np.take_along_axis(spread, chosen, 0)[0],
        quiet_noise=quiet_noise,
        scale=scale,
        unseen_step=_unseen_steps(
            left, along[:, :, steps], length[:, :, steps], base, free=free, need=need
        ),
    )


def _tried_steps(candidates: Candidates, is_seen: NDArray[np.bool_]) -> Ints:
    """Return the places of some fifty steps over all dates, of those that can be told."""
    is_step = np.array([shape is ChangeShape.STEP for shape in candidates.shapes])
    places = np.flatnonzero(is_step & is_seen)
    return places[:: max(1, len(places) // _STEPS_TRIED)]


def _unseen_steps(
    left: Floats, along: Floats, length: Floats, base: Floats, *, free: int, need: float
) -> Floats:
    """Return the step of each figure that is called in 9 of 10: of any date, up or down.

    A step of a size is added to the figure as it is, and its evidence at its date looked at; the
    noise is learned anew with it. Shapes: left (g, k), along (g, k, m), length and base (g, 1, m)
    and (g, 1).
    """
    out = np.empty(left.shape[1])
    for figure in range(left.shape[1]):
        own = left[:, figure, None]
        # Both ways; what is left with a step does not depend on its size.
        across = np.concatenate([along[:, figure], -along[:, figure]], axis=1)
        lengths = np.tile(length[:, 0], 2)
        rest = np.maximum(own - across**2 / lengths, 1e-12 * own)
        with_step = logsumexp(base - 0.5 * free * np.log(rest), axis=0)

        def found(
            size: float,
            own: Floats = own,
            across: Floats = across,
            lengths: Floats = lengths,
            with_step: Floats = with_step,
        ) -> float:
            moved = np.maximum(own + 2.0 * size * across + size**2 * lengths, 1e-300)
            without = logsumexp(base - 0.5 * free * np.log(moved), axis=0)
            return float(np.mean(2.0 * (with_step - without) >= need))

        low, high = 0.0, float(np.sqrt((left[:, figure] / free).max() / length.min()))
        while found(high) < _FOUND_SHARE and high < _LARGEST:
            low, high = high, 2.0 * high
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if found(middle) >= _FOUND_SHARE else (middle, high)
        out[figure] = high
    return out
