"""Did a figure change? Trend at like temperature, change points, and what would not have been seen.

A change is called where the evidence is more than what quiet campaigns show at any date, of either
shape, on any day of looking, in any of the figures that are watched. Pure.
"""

import math
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.campaign.cycle_figures import figure_unit
from replay.campaign.change_scan import (
    RAMP_EVERY,
    Candidates,
    ChangeScan,
    ChangeShape,
    change_candidates,
    scan_changes,
)
from replay.campaign.figure_blocks import BLOCK_H, FigureBlocks, explained_terms
from replay.campaign.white_blocks import WhiteBlocks, white_blocks

__all__ = ["Change", "FigureTrend", "NotJudged", "figure_trends"]

LEAST_DAYS: Final = 7.0
LEAST_BLOCKS: Final = 100
_CELSIUS: Final = "Cel"
_MOST_CHANGES: Final = 3
_WITHIN: Final = 3.84
"""Dates whose evidence is less by no more are in the 95 % interval (chi-squared, one parameter)."""
_TWO_SIDED: Final = 1.96
_LEAST_SPREAD: Final = 1e-6
_MOST_RATIO: Final = 20.0
"""Largest over smallest block mean of a figure that is compared by shares."""


LevelBand = tuple[float, float, float]
"""A level of a figure, and the low and high end of its 95 % interval."""
_NO_LEVEL: Final[LevelBand] = (math.nan, math.nan, math.nan)


class NotJudged(StrEnum):
    """Why nothing is said of a figure."""

    TOO_SHORT = "too short"
    CONSTANT = "constant"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change of a figure, with its 95 % intervals."""

    shape: ChangeShape
    date_h: float
    """Hours from the campaign's beginning; of a ramp where it begins."""
    low_h: float
    high_h: float
    size: float
    """In the figure's unit, or as a share of it; of a ramp until now."""
    size_low: float
    size_high: float
    evidence: float
    """Twice the gain in log-likelihood."""
    before: LevelBand = _NO_LEVEL
    """Figure just before it, at like temperature, in its unit."""
    after: LevelBand = _NO_LEVEL
    """The same behind it, everything else as just before; of a ramp as it has brought it by now."""


def _nothing() -> Floats:
    return np.empty(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureTrend:
    """What is said of one figure over a campaign; arrays of its n blocks."""

    name: str
    is_relative: bool
    """Sizes are shares of the figure (0.03: 3 %), not in its unit."""
    not_judged: NotJudged | None = None
    usual: float = math.nan
    """Median of the blocks, in the figure's unit."""
    changes: tuple[Change, ...] = ()
    per_day: float = math.nan
    """Slope beside the steps that were called, ramps included."""
    per_day_low: float = math.nan
    per_day_high: float = math.nan
    evidence: float = math.nan
    """Of the likeliest change, called or not."""
    needed: float = math.nan
    """Evidence from which a change is called."""
    unseen: float = math.nan
    """A step under this would not have been seen in 9 of 10."""
    per_kelvin: float = math.nan
    """By how much the figure goes with the joint's temperature."""
    running_in: float = math.nan
    """From the first hour to now by what decays within days; sizes as those of changes."""
    running_in_low: float = math.nan
    running_in_high: float = math.nan
    start_h: Floats = field(default_factory=_nothing)
    values: Floats = field(default_factory=_nothing)
    """Block means at like temperature, in the figure's unit."""
    course: Floats = field(default_factory=_nothing)
    """Trend and changes alone, in the figure's unit."""
    course_deviation: Floats = field(default_factory=_nothing)
    """Standard uncertainty of `course`."""

    @property
    def is_changed(self) -> bool:
        """Whether a change was called."""
        return bool(self.changes)


def figure_trends(blocks: FigureBlocks, *, watched: int | None = None) -> tuple[FigureTrend, ...]:
    """Return what is said of each figure.

    `watched`: how many figures are watched in all, for the rate of false calls; None: these.
    """
    watched = len(blocks.names) if watched is None else watched
    groups: dict[bytes, list[int]] = {}
    for place in range(len(blocks.names)):
        groups.setdefault(np.isfinite(blocks.values[:, place]).tobytes(), []).append(place)
    found: dict[int, FigureTrend] = {}
    for places in groups.values():
        known = np.isfinite(blocks.values[:, places[0]])
        own = replace(blocks.chosen(known), names=tuple(blocks.names[at] for at in places))
        own = replace(own, values=own.values[:, places])
        found |= dict(zip(places, _trends_of(own, watched), strict=True))
    return tuple(found[place] for place in range(len(blocks.names)))


def _trends_of(blocks: FigureBlocks, watched: int) -> list[FigureTrend]:
    """Return the trends of figures that are known in the same blocks."""
    out: list[FigureTrend | None] = [_unjudged(blocks, at) for at in range(len(blocks.names))]
    judged = [at for at, one in enumerate(out) if one is None]
    if judged:
        scaled = [_scaled(blocks.names[at], blocks.values[:, at]) for at in judged]
        values = np.stack([one for one, _ in scaled], axis=1)
        explained = explained_terms(blocks)
        tried = change_candidates(blocks.start_h, runs_in=blocks.runs_in)
        white = white_blocks(blocks.start_h, blocks.counts)
        scan = scan_changes(values, explained, white, tried, watched=watched)
        for row, at in enumerate(judged):
            compared = _Compared(values=values[:, row], is_relative=scaled[row][1])
            search = _Search(tried=tried, white=white, scan=scan, row=row, watched=watched)
            out[at] = _trend(blocks, at, compared, search)
    return [one for one in out if one is not None]


def _unjudged(blocks: FigureBlocks, at: int) -> FigureTrend | None:
    values = blocks.values[:, at]
    if not len(values):
        reason = NotJudged.UNKNOWN
    elif (
        blocks.start_h[-1] - blocks.start_h[0] < 24.0 * LEAST_DAYS - BLOCK_H
        or len(values) < LEAST_BLOCKS
    ):
        reason = NotJudged.TOO_SHORT
    elif float(np.std(values)) <= _LEAST_SPREAD * max(abs(float(np.mean(values))), 1e-12):
        reason = NotJudged.CONSTANT
    else:
        return None
    return FigureTrend(
        name=blocks.names[at],
        is_relative=False,
        not_judged=reason,
        usual=float(np.median(values)) if len(values) else math.nan,
        start_h=blocks.start_h,
        values=values,
    )


def _scaled(name: str, values: Floats) -> tuple[Floats, bool]:
    """Return a figure as it is compared, and whether by shares; degrees Celsius have none."""
    lowest, highest = float(values.min()), float(values.max())
    if figure_unit(name) == _CELSIUS:
        return values, False
    if lowest > 0.0 and highest < _MOST_RATIO * lowest:
        return np.log(values), True
    return values, False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """A figure as it is compared: its logarithm, or as it is."""

    values: Floats
    is_relative: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """What was tried of a figure (its row in the scan), and how many figures are watched."""

    tried: Candidates
    white: WhiteBlocks
    scan: ChangeScan
    row: int
    watched: int


def _trend(blocks: FigureBlocks, at: int, compared: _Compared, search: _Search) -> FigureTrend:
    values, is_relative = compared.values, compared.is_relative
    tried, scan, row = search.tried, search.scan, search.row
    explained = explained_terms(blocks)
    changes: list[Change] = []
    columns: list[Floats] = []
    # A step has many more dates among which one happens to fit: unless it fits that much better,
    # it is a ramp.
    is_step = np.array([shape is ChangeShape.STEP for shape in tried.shapes])
    handicaps = np.where(is_step, 2.0 * math.log(RAMP_EVERY), 0.0)
    evidence, needed = float(scan.evidence[row].max()), float(scan.needed[row])
    while True:
        if scan.evidence[row].max() < scan.needed[row] or len(changes) == _MOST_CHANGES:
            break
        best = int((scan.evidence[row] - handicaps).argmax())
        changes.append(_change(scan, row, best, tried))
        columns.append(tried.courses.column(best, blocks.start_h))
        wider = np.column_stack([explained, *columns])
        scan = scan_changes(values[:, None], wider, search.white, tried, watched=search.watched)
        row = 0
    unseen = float(scan.unseen_step[row])
    day = (blocks.start_h - blocks.start_h.mean()) / 24.0
    terms = explained.shape[1]
    # How many of the explained terms are temperatures: one that stands still is none.
    lags = explained_terms(replace(blocks, runs_in=False)).shape[1] - 1
    # Temperatures are about their mean: without them a figure is at like temperature.
    at_like = explained.copy()
    at_like[:, 1 : 1 + lags] = 0.0
    steps = [
        column
        for column, one in zip(columns, changes, strict=True)
        if one.shape is ChangeShape.STEP
    ]
    # A ramp is a slope itself: the slope a day is told with it, sizes without.
    slope = _fit_columns(search.white, values, np.column_stack([explained, *steps, day]))
    fit, wide = slope, np.column_stack([*steps, day])
    if changes:
        wide = np.column_stack(columns)
        fit = _fit_columns(search.white, values, np.column_stack([explained, wide]))
        sized = [
            _sized(one, float(weight), is_relative=is_relative)
            for weight, one in zip(fit.weights[terms:], changes, strict=True)
        ]
        changes = [
            _with_levels(
                one,
                at,
                fit,
                np.column_stack([at_like, wide]),
                blocks.start_h,
                is_relative=is_relative,
            )
            for at, one in enumerate(sized, start=terms)
        ]
    warm = explained[:, 1 : 1 + lags] @ fit.weights[1 : 1 + lags]
    settled = np.zeros(len(fit.weights))
    settled[1 + lags : terms] = explained[-1, 1 + lags :] - explained[0, 1 + lags :]
    running_in = _scaled_back(fit.of(settled), is_relative=is_relative)
    moved = wide @ fit.weights[terms:]
    reach = _TWO_SIDED * float(slope.deviations[-1])
    per_day = float(slope.weights[-1])
    middle = float(np.median(values - warm - moved))
    unscaled = np.exp if is_relative else np.asarray
    usual = float(np.median(blocks.values[:, at]))
    course = np.asarray(unscaled(middle + moved))
    return FigureTrend(
        name=blocks.names[at],
        is_relative=is_relative,
        usual=usual,
        changes=tuple(sorted(changes, key=lambda one: one.date_h)),
        per_day=per_day,
        per_day_low=per_day - reach,
        per_day_high=per_day + reach,
        evidence=evidence,
        needed=needed,
        unseen=unseen,
        per_kelvin=float(fit.weights[1 : 1 + lags].sum()) if lags else math.nan,
        running_in=running_in[0],
        running_in_low=running_in[1],
        running_in_high=running_in[2],
        start_h=blocks.start_h,
        values=np.asarray(unscaled(values - warm)),
        course=course,
        course_deviation=np.abs(day) * slope.deviations[-1] * (course if is_relative else 1.0),
    )


def _change(scan: ChangeScan, row: int, best: int, tried: Candidates) -> Change:
    shape, size = tried.shapes[best], float(scan.size[row, best])
    is_near = scan.evidence[row] >= scan.evidence[row, best] - _WITHIN
    is_near &= np.array([one is shape for one in tried.shapes])
    dates = tried.dates_h[is_near]
    reach = _TWO_SIDED * float(scan.deviation[row, best])
    step_h = BLOCK_H if shape is ChangeShape.STEP else RAMP_EVERY * BLOCK_H
    return Change(
        shape=shape,
        date_h=float(tried.dates_h[best]),
        low_h=float(dates.min()) - step_h,
        high_h=float(dates.max()) + step_h,
        size=size,
        size_low=size - reach,
        size_high=size + reach,
        evidence=float(scan.evidence[row, best]),
    )


def _sized(change: Change, weight: float, *, is_relative: bool) -> Change:
    """Return a change with its size beside all others; by shares, as a share."""
    moved = weight - change.size
    size, low, high = _scaled_back(
        (weight, change.size_low + moved, change.size_high + moved), is_relative=is_relative
    )
    return replace(change, size=size, size_low=low, size_high=high)


def _with_levels(
    change: Change, at: int, fit: "_Fit", wide: Floats, start_h: Floats, *, is_relative: bool
) -> Change:
    """Return a change with the levels before and behind it; `at`: its column of `wide`."""
    row = max(int(np.searchsorted(start_h, change.date_h)) - 1, 0)
    levels = []
    for share in (0.0, 1.0):
        sums = wide[row].copy()
        sums[at] = share
        level, low, high = (math.exp(one) if is_relative else one for one in fit.of(sums))
        levels.append((level, low, high))
    return replace(change, before=levels[0], after=levels[1])


def _scaled_back(
    sizes: tuple[float, float, float], *, is_relative: bool
) -> tuple[float, float, float]:
    """Return sizes as they are told: as shares where logarithms were compared."""
    size, low, high = (math.expm1(one) if is_relative else one for one in sizes)
    return size, low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """Weights of p columns with their uncertainty, over what noise may be like."""

    weights: Floats
    """Shape (p,)."""
    covariance: Floats
    """Shape (p, p)."""

    @property
    def deviations(self) -> Floats:
        """Standard uncertainties of the weights, shape (p,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def of(self, sums: Floats) -> tuple[float, float, float]:
        """Return a sum of the weights, shape (p,), and its 95 % interval."""
        size = float(sums @ self.weights)
        reach = _TWO_SIDED * math.sqrt(max(float(sums @ self.covariance @ sums), 0.0))
        return size, size - reach, size + reach


def _fit_columns(blocks: WhiteBlocks, values: Floats, wide: Floats) -> _Fit:
    """Fit columns, shape (n, p); kinds of noise count by their likelihood."""
    terms = wide.shape[1]
    # What noise leaves of the weights is found beside them, with more of its digits.
    at_once = np.linalg.lstsq(wide, values)[0]
    white = blocks.whitened(np.column_stack([wide, values - wide @ at_once])).transpose(1, 2, 0)
    own = white @ white.transpose(0, 2, 1)
    known, along = own[:, :terms, :terms], own[:, :terms, terms]
    inverse = np.linalg.inv(known)
    weights = np.einsum("gpq,gq->gp", inverse, along)
    free = len(values) - terms
    left = own[:, terms, terms] - np.einsum("gp,gp->g", weights, along)
    left = np.maximum(left, 1e-300)
    fits = -blocks.log_determinant - 0.5 * np.linalg.slogdet(known)[1] - 0.5 * free * np.log(left)
    weights += at_once
    share = np.exp(fits - fits.max())
    share /= share.sum()
    mean = share @ weights
    apart = weights - mean
    within = np.einsum("g,gpq->pq", share * left / free, inverse)
    between = np.einsum("g,gp,gq->pq", share, apart, apart)
    return _Fit(weights=mean, covariance=np.asarray(within + between))
