"""What is forecast right behind a corner: the load began, or stopped, 10 to 120 s ago.

    python -m tests.support.corner_study --runs 40

A line each for a load that began, after rest or after a light load at random (holds of 20 s), and
goes on for the hour, and for a held one that stopped. Right is a forecast that says rightly whether
the level is reached within the hour, and when to a quarter where it is.
"""

import argparse
import math
import sys
from collections.abc import Iterator
from typing import Final

import numpy as np

from logger.heat.forecast import draw_futures
from tests.support.forecast_study import HOUR_S, Judged, summary_line
from tests.support.observed_joint import follow, observed_joint, random_duty

__all__ = ["AFTER_S", "is_right", "judged_corners"]

AFTER_S: Final = (10, 20, 30, 60, 120)
BEFORE_S: Final = 2400
CHANNEL: Final = "temperature_housing_degC"
NEAR: Final = 0.25


def is_right(one: Judged) -> bool:
    """Whether it was said rightly that the level is reached, and when to a quarter."""
    return one.is_right and (math.isinf(one.reached_s) or one.error <= NEAR)


def judged_corners(seed: int, *, begins: bool) -> Iterator[Judged]:
    """Yield what was forecast of a level above the housing, some seconds behind a corner.

    Of a load that begins, a level between a fifth and three quarters of the way to where it leads
    within the hour; of one that stops, one 2 to 6 K above the housing.
    """
    dice = np.random.default_rng(seed + 30_000)
    before = np.full(BEFORE_S, dice.uniform(6.0, 9.0))
    if begins:
        before = random_duty(seed, BEFORE_S, 20.0) * 0.15 if seed % 2 else np.full(BEFORE_S, 0.5)
    after_A = dice.uniform(7.0, 10.0) if begins else 0.5  # noqa: N806 - the unit's own spelling
    seconds = HOUR_S + AFTER_S[-1]
    current = np.concatenate([before, np.full(seconds, after_A)])
    run = observed_joint(seed, current, winding=False)
    read = run.readings[CHANNEL]
    for second, track in follow(run):
        if second - BEFORE_S not in AFTER_S:
            continue
        now, end = run.truth_degC[second, 1], run.truth_degC[-1, 1]
        above = (end - now) * dice.uniform(0.2, 0.75) if begins else dice.uniform(2.0, 6.0)
        level = math.ceil(float(now + above))
        assert track.state is not None
        assert track.history is not None
        housing = draw_futures(run.fitted, track.state, track.history)[1]
        hits = np.flatnonzero(read[second : second + HOUR_S] >= level)
        reached_s = float(hits[0] + 1) if len(hits) else math.inf
        yield Judged(reached_s, housing.passage(level, count_K=1.0), seed)


def main() -> None:
    """Write a line for each kind of corner."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    asked = parser.parse_args()
    for name, begins in (("began", True), ("stopped", False)):
        judged = [
            one
            for seed in range(asked.first, asked.first + asked.runs)
            for one in judged_corners(seed, begins=begins)
        ]
        right = np.mean([is_right(one) for one in judged])
        sys.stdout.write(f"right {right:.3f}; {summary_line(name, judged)}\n")


if __name__ == "__main__":
    main()
