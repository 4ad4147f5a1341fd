"""How well changes of simulated joints are dated, sized and named, and how often none is invented.

Run as a module it writes one line a case:

    python -m tests.support.change_study --runs 30 --factors 1 1.3 1.5
"""

import argparse
import itertools
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.heat.model import HeatModel
from replay.heat.change import find_changes
from replay.heat.dated_change import ChangeCause
from replay.heat.problem import HeatProblem
from tests.support.heat_joints import simulate_joint

__all__ = ["ChangeRun", "change_run", "summary_line"]

HOURS: Final = 2.0
STEP_S: Final = 30
NEAR_S: Final = 120.0
FAR_S: Final = 360.0
TELLING_K: Final = 0.3
"""What the change adds to the temperature within `NEAR_S`, for it to be dated within that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRun:
    """What was found of one joint whose cooling changed once, or not."""

    found: int
    off_s: float
    """Of the largest change found, from its true date; inf: none was found."""
    allowed_s: float
    holds_date: bool
    holds_size: bool
    is_named: bool
    """Whether its cause is the true one."""
    is_misnamed: bool
    """Whether another cause was named as the known one."""


def change_run(seed: int, factor: float, *, pattern: str, ambient: bool = True) -> ChangeRun:
    """Return what is found of a joint whose cooling gets worse by a factor; 1: it does not."""
    dice = np.random.default_rng(seed + 40_000)
    at_s = int(dice.uniform(0.4, 0.75) * HOURS * 3600)
    made = simulate_joint(
        seed,
        pattern=pattern,
        ambient=ambient,
        hours=HOURS,
        step_s=STEP_S,
        gaps=0,
        change=(at_s, ChangeCause.COOLING, factor),
    )
    rise_K = float(made.temperatures[at_s, 1] - made.ambient_degC[at_s])  # noqa: N806
    added_K = (1.0 - 1.0 / factor) * rise_K * NEAR_S / made.truth["housing_time"]  # noqa: N806
    found = find_changes(HeatProblem(made.trace, HeatModel(nodes=2, standby=ambient)))
    largest = max(found, key=lambda one: one.gain, default=None)
    return ChangeRun(
        found=len(found),
        off_s=np.inf if largest is None else abs(largest.at_s[0] - at_s),
        allowed_s=NEAR_S if added_K >= TELLING_K else FAR_S,
        holds_date=largest is not None and largest.at_s[1] <= at_s <= largest.at_s[2],
        holds_size=largest is not None and largest.size[1] <= factor <= largest.size[2],
        is_named=largest is not None and largest.cause is ChangeCause.COOLING,
        is_misnamed=largest is not None
        and largest.is_cause_known
        and largest.cause is not ChangeCause.COOLING,
    )


def summary_line(runs: Sequence[ChangeRun]) -> str:
    """Return how many were found, dated as near as asked, held by their intervals, and named."""

    def count(values: Sequence[bool]) -> str:
        return f"{sum(values)} of {len(values)}"

    seen = [one for one in runs if one.found]
    found = f"found {count([bool(one.found) for one in runs])}"
    if not seen:
        return found
    return (
        f"{found}, "
        f"dated as near as asked {count([one.off_s <= one.allowed_s for one in runs])} "
        f"(within 2 min {count([one.off_s <= NEAR_S for one in runs])}), intervals hold the date "
        f"{count([one.holds_date for one in seen])}, the size "
        f"{count([one.holds_size for one in seen])}; cause the right one "
        f"{count([one.is_named for one in seen])}, another named as known "
        f"{count([one.is_misnamed for one in seen])}; more than one found "
        f"{count([one.found > 1 for one in runs])}"
    )


def main() -> None:
    """Write one line a case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=30)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    parser.add_argument("--factors", nargs="+", type=float, default=[1.0, 1.3, 1.5])
    parser.add_argument("--patterns", nargs="+", default=["random", "cyclic"])
    parser.add_argument("--no-ambient", action="store_true", help="the room is not recorded")
    asked = parser.parse_args()
    for pattern, factor in itertools.product(asked.patterns, asked.factors):
        runs = [
            change_run(seed, factor, pattern=pattern, ambient=not asked.no_ambient)
            for seed in range(asked.first, asked.first + asked.runs)
        ]
        sys.stdout.write(f"{pattern}, cooling times {factor:g}: {summary_line(runs)}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
