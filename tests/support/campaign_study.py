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

from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_blocks import (
    BLOCK_H,
    FigureBlocks,
    explained_terms,
    lagged_temperatures,
)
from replay.campaign.figure_trend import FigureTrend, figure_trends

__all__ = [
    "Counts",
    "Made",
    "add_campaign",
    "change_course",
    "ideal_deviation",
    "make_campaign",
    "study",
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
        names=tuple(f"figure {at}" for at in range(figures)),
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
    steps: int = 0
    steps_found: int = 0
    steps_dated: int = 0
    """Of those found, dated within four hours."""
    ramps: int = 0
    ramps_found: int = 0
    trends_held: int = 0
    """Intervals of the slope of a quiet figure that hold zero."""
    trends: int = 0
    quiet_evidence: list[float] = field(default_factory=list)
    """Largest of each quiet campaign, over figures and days of looking."""
    step_evidence: list[float] = field(default_factory=list)
    """Of each figure with a step."""

    @property
    def line(self) -> str:
        """What came of them, in a line."""
        highest = ", ".join(
            f"{one:.1f}" for one in np.quantile(self.quiet_evidence, (0.5, 0.9, 0.95))
        )
        lowest = ", ".join(
            f"{one:.1f}" for one in np.quantile(self.step_evidence, (0.05, 0.1, 0.5))
        )
        return (
            f"quiet called {self.called} of {self.campaigns}; steps found {self.steps_found} of "
            f"{self.steps}, within 4 h {self.steps_dated}; ramps {self.ramps_found} of "
            f"{self.ramps}; slopes that hold zero {self.trends_held} of {self.trends}; "
            f"evidence of quiet ones, 50, 90, 95 %: {highest}; of steps, 5, 10, 50 %: {lowest}"
        )


def study(
    campaigns: int,
    *,
    slow: float,
    correlation_h: float,
    looks_every: int = 1,
    seed: int = 1,
) -> Counts:
    """Return how often campaigns are called that are quiet, and changed ones are."""
    counts = Counts()
    for number in range(campaigns):
        add_campaign(
            counts,
            np.random.default_rng((seed, number)),
            slow=slow,
            correlation_h=correlation_h,
            looks_every=looks_every,
        )
    return counts


def add_campaign(
    counts: Counts, dice: Generator, *, slow: float, correlation_h: float, looks_every: int = 1
) -> None:
    """Count what comes of one campaign, quiet, with a step and with a ramp."""
    made = make_campaign(dice, slow=slow, correlation_h=correlation_h)
    counts.campaigns += 1
    days = [*range(FIRST_DAY, DAYS, looks_every), DAYS]
    looks = [figure_trends(made.blocks.until(day * 24.0)) for day in days]
    counts.called += any(one.is_changed for look in looks for one in look)
    of_looks = [one.evidence for look in looks for one in look]
    counts.quiet_evidence.append(float(np.nanmax(of_looks)))
    counts.trends += len(looks[-1])
    counts.trends_held += sum(one.per_day_low <= 0.0 <= one.per_day_high for one in looks[-1])
    for shape, ratio in ((ChangeShape.STEP, 6.0), (ChangeShape.RAMP, 8.0)):
        date_h = dice.uniform(5.0 * 24.0, 25.0 * 24.0)
        course = change_course(made, shape, date_h)
        size = ratio * ideal_deviation(made, course) * dice.choice([-1.0, 1.0])
        moved = made.blocks.values * np.exp(size * course)[:, None]
        trends = figure_trends(replace(made.blocks, values=moved))
        _count(counts, shape, trends, date_h)


def _count(
    counts: Counts, shape: ChangeShape, trends: tuple[FigureTrend, ...], date_h: float
) -> None:
    found = [one for one in trends if one.is_changed]
    if shape is ChangeShape.RAMP:
        counts.ramps += len(trends)
        counts.ramps_found += len(found)
        return
    counts.step_evidence += [one.evidence for one in trends]
    counts.steps += len(trends)
    counts.steps_found += len(found)
    counts.steps_dated += sum(
        min(abs(change.date_h - date_h) for change in one.changes) <= 4.0 for one in found
    )


CASES: Final = ((0.008, 6.0), (0.008, 24.0), (0.015, 24.0), (0.003, 6.0))


def main() -> None:
    """Print a line a case, again and again as campaigns are added."""
    options = argparse.ArgumentParser()
    options.add_argument("--campaigns", type=int, default=20)
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
