"""Where figures of a campaign changed: all dates and shapes tried, noise learned. Pure.

Generalised least squares on block means. What temperature and running-in explain is projected out;
in what is left, the likelihood with a change of each date and shape is held against that without,
the noise learned in both (restricted likelihood: what was projected out costs no freedom twice).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from replay.campaign.figure_blocks import BLOCK_H
from replay.campaign.noise_grid import needed_evidence
from replay.campaign.white_blocks import ChangeCourses, WhiteBlocks, all_courses

__all__ = [
    "Candidates",
    "ChangeScan",
    "ChangeShape",
    "change_candidates",
    "evidence_of_looks",
    "scan_changes",
]

DATE_STEP_H: Final = 1.0
"""Between dates that are tried; a step inside a block is taken as its fraction."""
RAMP_EVERY: Final = 12
"""Ramps are tried at one of so many dates: their beginning is known less well by far."""
STEP_MARGIN_H: Final = 24.0
RAMP_MARGIN_H: Final = 96.0
"""So much has to lie between a date and the end, and the former between it and the beginning."""
RUNNING_IN_MARGIN_H: Final = 72.0
_FOUND_SHARE: Final = 0.95
"""Of all dates in the figure as it is: the size is fitted to this one, and in others of the same
noise fewer steps of it are found (0.9 here was 0.82 there, 0.95 here 0.90 there)."""
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


_MARGINS_H: Final = {ChangeShape.STEP: STEP_MARGIN_H, ChangeShape.RAMP: RAMP_MARGIN_H}


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Changes that are tried, m of them."""

    dates_h: Floats
    """Shape (m,)."""
    shapes: tuple[ChangeShape, ...]
    courses: ChangeCourses
    """Share of the change in each block: 1 where all of it is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeScan:
    """What the figures say of every candidate; k figures, m candidates, g kinds of noise."""

    evidence: Floats
    """Twice the gain in log-likelihood, shape (k, m)."""
    needed: Floats
    """Evidence from which a change is called, shape (k,)."""
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
    courses: list[ChangeCourses] = []
    shapes: list[ChangeShape] = []
    # Whatever stands for the block after the last has no part in any course.
    starts = np.append(start_h, end)
    for shape, margin in _MARGINS_H.items():
        earliest = first + (RUNNING_IN_MARGIN_H if runs_in else STEP_MARGIN_H)
        tried = np.arange(earliest, end - margin, DATE_STEP_H)
        if shape is ChangeShape.RAMP:
            tried = np.concatenate([[first], tried[::RAMP_EVERY]])
        row = np.searchsorted(start_h + BLOCK_H, tried, side="right")
        lasts_h = np.minimum(starts[row] + BLOCK_H - tried, BLOCK_H)
        if shape is ChangeShape.STEP:
            course = ChangeCourses(
                row=row,
                first=lasts_h / BLOCK_H,
                following=np.ones(len(tried)),
                per_hour=np.zeros(len(tried)),
            )
        else:
            # A block has the mean of its hours, the one in which it begins too.
            middle_h = starts[row] + BLOCK_H - 0.5 * lasts_h - tried
            course = ChangeCourses(
                row=row,
                first=middle_h * lasts_h / BLOCK_H / (end - tried),
                following=(starts[row + 1] + 0.5 * BLOCK_H - tried) / (end - tried),
                per_hour=1.0 / (end - tried),
            )
        courses.append(course)
        dates.append(tried)
        shapes += [shape] * len(tried)
    return Candidates(
        dates_h=np.concatenate(dates), shapes=tuple(shapes), courses=all_courses(courses)
    )


def scan_changes(
    values: Floats,
    explained: Floats,
    blocks: WhiteBlocks,
    candidates: Candidates,
    *,
    watched: int,
) -> ChangeScan:
    """Return what figures say of each candidate.

    Parameters
    ----------
    values
        Block means of k figures, shape (n, k).
    explained
        What is projected out, shape (n, p): a constant, temperatures, running-in.
    blocks
        What makes the blocks white.
    watched
        How many figures are watched in all.
    """
    white = blocks.whitened(_centred(explained, values))
    left = _left_of(blocks, white, candidates.courses, explained.shape[1])
    quiet_noise = left.without.argmax(axis=0)
    best = left.together.argmax(axis=0)[None]
    quiet = np.take_along_axis(left.squares, quiet_noise[None], 0)[0]
    steps = _tried_steps(candidates, np.asarray(np.isfinite(left.length).all(axis=(0, 1))))
    spread = np.sqrt(left.squares[:, :, None] * (1.0 - left.gained) / left.free / left.length)
    evidence = left.evidence
    needed = needed_evidence(left.shares(evidence), watched, _days_of(blocks))
    return ChangeScan(
        evidence=evidence,
        needed=needed,
        size=np.take_along_axis(left.along / left.length, best, 0)[0],
        deviation=np.take_along_axis(spread, best, 0)[0],
        quiet_noise=quiet_noise,
        scale=np.sqrt(quiet / left.free),
        unseen_step=_unseen_steps(left, steps, needed),
    )


def evidence_of_looks(
    values: Floats,
    explained: Floats,
    blocks: WhiteBlocks,
    candidates: Candidates,
    *,
    watched: int,
    days: Sequence[int],
) -> Iterator[tuple[Floats, Floats]]:
    """Yield the evidence at the end of each of some days, shape (k, m), and what is needed, (k,).

    As `scan_changes` gives it, made white but once; -inf where a candidate is not tried yet.
    """
    margins = np.array([_MARGINS_H[shape] for shape in candidates.shapes])
    white = blocks.whitened(_centred(explained, values))
    for day in days:
        own = blocks.until(int(np.searchsorted(blocks.start_h, day * 24.0)))
        tried = candidates.dates_h < own.start_h[-1] + BLOCK_H - margins
        courses = candidates.courses.chosen(tried)
        left = _left_of(own, white[: len(own.start_h)], courses, explained.shape[1])
        now = left.evidence
        evidence = np.full((values.shape[1], len(tried)), -np.inf)
        evidence[:, tried] = now
        yield evidence, needed_evidence(left.shares(now), watched, _days_of(own))


def _centred(explained: Floats, values: Floats) -> Floats:
    """Return both side by side, the values less what is explained of them at once.

    The same is left of them, with more of its digits: a level is thousands of times its noise.
    """
    weights = np.linalg.lstsq(explained, values)[0]
    return np.concatenate([explained, values - explained @ weights], axis=1)


def _days_of(blocks: WhiteBlocks) -> float:
    return (float(blocks.start_h[-1] - blocks.start_h[0]) + BLOCK_H) / 24.0


def _log_sum(logarithms: Floats) -> Floats:
    """Return the logarithm of the sum over the kinds of noise, the first axis."""
    top = logarithms.max(axis=0)
    return np.asarray(top + np.log(np.exp(logarithms - top).sum(axis=0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Left:
    """What is left of figures once what is explained is projected out, for each kind of noise."""

    free: int
    base: Floats
    """Of the log-likelihood, without the figures, shape (g, 1)."""
    squares: Floats
    """Shape (g, k)."""
    along: Floats
    """Of the figures along each candidate, shape (g, k, m)."""
    length: Floats
    """Of each candidate, squared, shape (g, 1, m); infinite where nothing is left to be told."""

    gained: Floats
    """Share of the squares that a candidate takes away, shape (g, k, m)."""
    without: Floats
    """Log-likelihood without a change, shape (g, k)."""
    together: Floats
    """Log-likelihood with each candidate, shape (g, k, m)."""

    @property
    def evidence(self) -> Floats:
        """Twice the gain, of all kinds of noise together, shape (k, m).

        So one that happens to fit best counts for less.
        """
        alone = _log_sum(self.without)[:, None]
        return np.asarray(2.0 * (_log_sum(self.together) - alone))

    def shares(self, evidence: Floats) -> Floats:
        """Return how likely each kind of noise is beside the likeliest change, shape (g, k)."""
        likeliest = evidence.argmax(axis=1)[None, :, None]
        with_it = np.take_along_axis(self.together, likeliest, 2)[:, :, 0]
        return np.asarray(np.exp(with_it - _log_sum(with_it)))


def _left_of(blocks: WhiteBlocks, white: Floats, courses: ChangeCourses, terms: int) -> _Left:
    """Project what is explained out of all else, by the normal equations of each noise.

    `white`: the terms that explain and then the figures, made white.
    """
    by_noise = white.transpose(1, 2, 0)
    own = by_noise @ by_noise.transpose(0, 2, 1)
    along = blocks.course_products(white, courses)
    whole = blocks.course_lengths(courses)
    known = own[:, :terms, :terms]
    to_figures, to_courses = own[:, :terms, terms:], along[:, :terms]
    weights = np.linalg.solve(known, to_courses)
    length = whole - np.einsum("gpm,gpm->gm", to_courses, weights)
    length = np.where(length > _LEAST_LEFT * whole, length, np.inf)[:, None, :]
    along = along[:, terms:] - to_figures.transpose(0, 2, 1) @ weights
    rest = own[:, terms:, terms:] - to_figures.transpose(0, 2, 1) @ np.linalg.solve(
        known, to_figures
    )
    squares = np.maximum(np.einsum("gkk->gk", rest), 1e-300)
    sizes = np.linalg.slogdet(known)[1]
    free = len(white) - terms
    base = (-blocks.log_determinant - 0.5 * sizes)[:, None]
    gained = np.minimum(along**2 / length / squares[:, :, None], 1.0 - 1e-12)
    without = base - 0.5 * free * np.log(squares)
    return _Left(
        free=free,
        base=base,
        squares=squares,
        along=along,
        length=length,
        gained=gained,
        without=without,
        together=without[:, :, None] - 0.5 * free * np.log1p(-gained),
    )


def _tried_steps(candidates: Candidates, is_seen: NDArray[np.bool_]) -> Ints:
    """Return the places of some fifty steps over all dates, of those that can be told."""
    is_step = np.array([shape is ChangeShape.STEP for shape in candidates.shapes])
    places = np.flatnonzero(is_step & is_seen)
    return places[:: max(1, len(places) // _STEPS_TRIED)]


def _unseen_steps(left: _Left, steps: Ints, needed: Floats) -> Floats:
    """Return the step of each figure that is called in 9 of 10: of any date, up or down.

    A step of a size is added to the figure as it is, and its evidence at its date looked at; the
    noise is learned anew with it.
    """
    # Both ways; what is left with a step does not depend on its size.
    lengths = np.tile(left.length[:, 0, steps], 2)
    out = np.empty(len(needed))
    for figure, need in enumerate(needed.tolist()):
        own = left.squares[:, figure, None]
        along = left.along[:, figure, steps]
        across = np.concatenate([along, -along], axis=1)
        rest = np.maximum(own - across**2 / lengths, 1e-12 * own)
        with_step = _log_sum(left.base - 0.5 * left.free * np.log(rest))

        def found(
            size: float,
            own: Floats = own,
            across: Floats = across,
            with_step: Floats = with_step,
            need: float = need,
        ) -> float:
            moved = np.maximum(own + 2.0 * size * across + size**2 * lengths, 1e-300)
            without = _log_sum(left.base - 0.5 * left.free * np.log(moved))
            return float(np.mean(2.0 * (with_step - without) >= need))

        low, high = 0.0, float(np.sqrt((own / left.free).max() / lengths.min()))
        while found(high) < _FOUND_SHARE and high < _LARGEST:
            low, high = high, 2.0 * high
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if found(middle) >= _FOUND_SHARE else (middle, high)
        out[figure] = high
    return out
