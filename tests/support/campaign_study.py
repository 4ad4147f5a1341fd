"""How often a campaign is called changed that is not, and how much of what changes is found.

Run as a module it prints a line a case: `python -m tests.support.campaign_study --campaigns 100`.
Thirty days of cycles, a hundred an hour: friction of a gear two hours behind a housing that is read
in whole degrees (-1.2 %/K), 3 % white noise a cycle, slow noise, four stops, running-in. Changes
are stated in multiples of the standard deviation that one would have who knew noise and date.
"""

import argparse
import sys
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.random import Generator

from replay.campaign.change_scan import (
    RUNNING_IN_MARGIN_H,
    STEP_MARGIN_H,
    ChangeShape,
    change_candidates,
    evidence_of_looks,
)
from replay.campaign.figure_blocks import (
    BLOCK_H,
    FigureBlocks,
    explained_terms,
    lagged_temperatures,
)
from replay.campaign.figure_trend import figure_trends
from replay.campaign.white_blocks import white_blocks

__all__ = [
    "Counts",
    "Made",
    "add_campaign",
    "change_course",
    "ideal_deviation",
    "make_campaign",
]

DAYS: Final = 30
FIRST_DAY: Final = 7
PER_H: Final = 100.0
_QUARTER_H: Final = 0.25
_WHITE: Final = 0.03
_LAG_H: Final = 2.0
_PER_K: Final = -0.012
RUNNING_IN: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A simulated campaign of several figures that do not change, and what it is made of."""

    blocks: FigureBlocks
    slow: float
    correlation_h: float


def make_campaign(
    dice: Generator,
    *,
    slow: float,
    correlation_h: float,
    figures: int = 3,
    days: int = DAYS,
    running_in: bool = True,
) -> Made:
    """Return a quiet campaign; `slow` is the standard deviation of its slow noise."""
    count = round(days * 24 / _QUARTER_H)
    at_h = np.arange(count) * _QUARTER_H
    runs = np.ones(count, bool)
    for _ in range(4):
        begin, length = dice.uniform(24.0, days * 24 - 48.0), dice.uniform(2.0, 24.0)
        runs &= ~((at_h >= begin) & (at_h < begin + length))
    room = 22.0 + 3.0 * np.sin(2 * np.pi * (at_h - 9.0) / 24.0) + _wander(dice, count, 1.5, 36.0)
    target = room + np.where(runs, 25.0 + _wander(dice, count, 1.0, 8.0), 0.0)
    housing = _lagged(target, 1.0)
    gear = _lagged(housing, _LAG_H)
    read = np.round(housing + 0.2 * dice.normal(size=count))
    course = _PER_K * (gear - 45.0)
    if running_in:
        course = course + RUNNING_IN * np.exp(-at_h / dice.uniform(24.0, 72.0))
    starts = np.arange(0.0, days * 24, BLOCK_H)
    per = round(BLOCK_H / _QUARTER_H)
    used = runs.reshape(-1, per)
    kept = used.sum(axis=1) >= per // 4
    counts = used.sum(axis=1) * PER_H * _QUARTER_H

    def means(series: np.ndarray) -> np.ndarray:
        total = np.where(used, series.reshape(-1, per), 0.0).sum(axis=1)
        return total[kept] / used.sum(axis=1)[kept]

    values = []
    for _ in range(figures):
        wander = _wander(dice, count, slow, correlation_h)
        white = dice.normal(size=kept.sum()) * _WHITE / np.sqrt(counts[kept])
        values.append(means(course + wander) + white)
    blocks = FigureBlocks(
        names=tuple(f"figure {at}_Nm" for at in range(figures)),
        start_h=starts[kept],
        counts=counts[kept],
        # Figures are compared by shares: a level of one.
        values=np.exp(np.stack(values, axis=1)),
        temperatures=np.stack([means(one) for one in lagged_temperatures(at_h, read).T], axis=1),
        runs_in=True,
    )
    return Made(blocks=blocks, slow=slow, correlation_h=correlation_h)


def _wander(dice: Generator, count: int, deviation: float, correlation_h: float) -> np.ndarray:
    keep = np.exp(-_QUARTER_H / correlation_h)
    kicks = dice.normal(size=count) * np.sqrt(1.0 - keep**2)
    out = np.empty(count)
    now = dice.normal()
    for at, kick in enumerate(kicks):
        now = keep * now + kick
        out[at] = now
    return deviation * out


def _lagged(series: np.ndarray, lag_h: float) -> np.ndarray:
    share = 1.0 - np.exp(-_QUARTER_H / lag_h)
    out, now = np.empty(len(series)), series[0]
    for at, value in enumerate(series):
        now += share * (value - now)
        out[at] = now
    return out


def change_course(made: Made, shape: ChangeShape, date_h: float) -> np.ndarray:
    """Return the share of a change in each block."""
    end = made.blocks.start_h[-1] + BLOCK_H
    fine = made.blocks.start_h[:, None] + (np.arange(60) + 0.5) / 60.0 * BLOCK_H
    passed = fine - date_h
    if shape is ChangeShape.STEP:
        return (passed > 0.0).mean(axis=1)
    return (np.clip(passed, 0.0, None) / (end - date_h)).mean(axis=1)


def ideal_deviation(made: Made, course: np.ndarray) -> float:
    """Return the standard deviation of a change's size where noise and date are known.

    From means over four hours, as the first trial of the method had them.
    """
    blocks = made.blocks
    ratio = BLOCK_H / made.correlation_h
    apart = np.abs(blocks.start_h[:, None] - blocks.start_h[None, :])
    own = 2.0 * (ratio - 1.0 + np.exp(-ratio)) / ratio**2
    other = (
        (1.0 - np.exp(-ratio)) ** 2
        / ratio**2
        * np.exp(-np.maximum(apart - BLOCK_H, 0.0) / made.correlation_h)
    )
    covariance = made.slow**2 * np.where(apart < 0.5 * BLOCK_H, own, other)
    covariance += np.diag(_WHITE**2 / blocks.counts)
    group = (blocks.start_h // 4.0).astype(int)
    mean = (np.unique(group)[:, None] == group[None, :]).astype(float)
    mean /= mean.sum(axis=1, keepdims=True)
    covariance = mean @ covariance @ mean.T
    terms = mean @ np.column_stack([explained_terms(blocks), course])
    information = terms.T @ np.linalg.solve(covariance, terms)
    return float(np.sqrt(np.linalg.inv(information)[-1, -1]))


@dataclass(slots=True, kw_only=True)
class Counts:
    """What came of some campaigns."""

    campaigns: int = 0
    called: int = 0
    """Quiet campaigns of which any figure was called on any day of looking."""
    steps_found: int = 0
    steps_dated: int = 0
    """Of those found, dated within four hours."""
    steps_held: int = 0
    """Of those found, with an interval that holds the date."""
    ramps_found: int = 0
    ramps_held: int = 0
    unseen_found: int = 0
    """Steps found of the size that would not have been seen in a campaign of the same noise."""
    trends_held: int = 0
    """Intervals of the slope of a quiet figure that hold zero."""
    trends: int = 0
    quiet_excess: list[float] = field(default_factory=list)
    """Evidence beyond what is needed, largest of each quiet campaign over figures and days."""
    step_excess: list[float] = field(default_factory=list)
    step_sizes: list[float] = field(default_factory=list)
    unseen: list[float] = field(default_factory=list)

    @property
    def line(self) -> str:
        """What came of them, in a line."""

        def of(values: list[float], *shares: float) -> str:
            return ", ".join(f"{one:.3g}" for one in np.quantile(values, shares))

        all_of = self.campaigns
        return (
            f"quiet called {self.called} of {all_of}; steps found {self.steps_found}, of these "
            f"within 4 h {self.steps_dated}, held {self.steps_held}; ramps found "
            f"{self.ramps_found}, held {self.ramps_held}; steps of what would not have been seen "
            f"found {self.unseen_found}; slopes that hold zero {self.trends_held} of "
            f"{self.trends}; excess of quiet ones, 50, 90, 95 %: "
            f"{of(self.quiet_excess, 0.5, 0.9, 0.95)}; of steps, 5, 10, 50 %: "
            f"{of(self.step_excess, 0.05, 0.1, 0.5)}; sizes of steps "
            f"{of(self.step_sizes, 0.5)}, not seen under {of(self.unseen, 0.1, 0.5, 0.9)}"
        )


def add_campaign(
    counts: Counts, dice: Generator, *, slow: float, correlation_h: float, looks_every: int = 1
) -> None:
    """Count what comes of one campaign: quiet, and with a step, a ramp and a smaller step in it.

    A figure each: the first has a step of six times its ideal standard deviation, the second a ramp
    of eight times, the third the step that would not have been seen in the quiet first.
    """
    made = make_campaign(dice, slow=slow, correlation_h=correlation_h)
    counts.campaigns += 1
    excess = _quiet_excess(made, looks_every)
    counts.quiet_excess.append(excess)
    counts.called += excess >= 0.0
    quiet = figure_trends(made.blocks)
    counts.trends += len(quiet)
    counts.trends_held += sum(one.per_day_low <= 0.0 <= one.per_day_high for one in quiet)
    counts.unseen.append(quiet[0].unseen)
    values = made.blocks.values.copy()
    dates = dice.uniform(5.0 * 24.0, 25.0 * 24.0, size=3)
    # Of what would not have been seen at any date that is tried.
    dates[2] = dice.uniform(RUNNING_IN_MARGIN_H, DAYS * 24.0 - STEP_MARGIN_H)
    shapes = (ChangeShape.STEP, ChangeShape.RAMP, ChangeShape.STEP)
    for at, (shape, date_h) in enumerate(zip(shapes, dates.tolist(), strict=True)):
        course = change_course(made, shape, date_h)
        ideal = ideal_deviation(made, course)
        size = (6.0 * ideal, 8.0 * ideal, quiet[0].unseen)[at]
        if not at:
            counts.step_sizes.append(size)
        values[:, at] *= np.exp(size * dice.choice([-1.0, 1.0]) * course)
    trends = figure_trends(replace(made.blocks, values=values))
    counts.step_excess.append(trends[0].evidence - trends[0].needed)
    counts.unseen_found += trends[2].is_changed
    for trend, date_h in zip(trends[:2], dates.tolist(), strict=False):
        if trend.is_changed:
            nearest = min(trend.changes, key=lambda one: abs(one.date_h - date_h))
            is_held = nearest.low_h <= date_h <= nearest.high_h
            if trend is trends[0]:
                counts.steps_found += 1
                counts.steps_dated += abs(nearest.date_h - date_h) <= 4.0
                counts.steps_held += is_held
            else:
                counts.ramps_found += 1
                counts.ramps_held += is_held


def _quiet_excess(made: Made, looks_every: int) -> float:
    """Return the largest evidence beyond what is needed, over figures and days of looking."""
    blocks = made.blocks
    looks = evidence_of_looks(
        np.log(blocks.values),
        explained_terms(blocks),
        white_blocks(blocks.start_h, blocks.counts),
        change_candidates(blocks.start_h, runs_in=True),
        watched=len(blocks.names),
        days=[*range(FIRST_DAY, DAYS, looks_every), DAYS],
    )
    return max(float((evidence.max(axis=1) - needed).max()) for evidence, needed in looks)


CASES: Final = ((0.008, 6.0), (0.008, 24.0), (0.003, 6.0), (0.003, 24.0), (0.015, 24.0))
"""(standard deviation of the slow noise, its correlation time in hours)."""


def main() -> None:
    """Print a line a case, again and again as campaigns are added."""
    options = argparse.ArgumentParser()
    options.add_argument("--campaigns", type=int, default=100)
    options.add_argument("--looks-every", type=int, default=1)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--cases", type=int, default=len(CASES))
    given = options.parse_args()
    counts = [Counts() for _ in CASES[: given.cases]]
    for number in range(given.campaigns):
        for one, (slow, correlation_h) in zip(counts, CASES, strict=False):
            add_campaign(
                one,
                np.random.default_rng((given.seed, number)),
                slow=slow,
                correlation_h=correlation_h,
                looks_every=given.looks_every,
            )
            sys.stdout.write(f"slow noise {slow:.1%}, {correlation_h:g} h: {one.line}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
