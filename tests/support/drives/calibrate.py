"""Count how often what the rules of the layout finder say is right, and print it as tables.

python -m tests.support.drives.calibrate --main 0 23 5000 5015 --hard 0 8 5000 5006

The tables are `CALIBRATION` of `logger/layout_finder/calibration.py`. Each rank is a row of
neighbouring probabilities that are right about as often (isotonic regression: pool adjacent
violators). A share above 0.95 is given only to ranks that were hardly ever wrong.
"""

import argparse
import pickle
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from unittest import mock

from logger.layout_finder.calibration import CALIBRATION, Steps
from tests.support.drives.judge import ClaimOutcome, DriveOutcome
from tests.support.drives.study import judge_seed
from tests.support.drives.truth import DriveSet

__all__ = ["fit_steps", "judge_by_rules"]

LEAST_CLAIMS = 20
SURE = 0.95
MOST = 0.99
MOST_WRONG_OF_SURE = 0.005


def fit_steps(claims: Sequence[ClaimOutcome]) -> Steps:
    """Return how often claims are right that the rules say are so probable, rising."""
    ranks: list[list[float]] = []
    """Least probability, how many, how many of them right."""
    for one in sorted(claims, key=lambda claim: claim.probability):
        if ranks and (one.probability == ranks[-1][3] or ranks[-1][1] < LEAST_CLAIMS):
            last = ranks[-1]
            ranks[-1] = [last[0], last[1] + 1, last[2] + one.right, one.probability]
        else:
            ranks.append([one.probability, 1, float(one.right), one.probability])
    if len(ranks) > 1 and ranks[-1][1] < LEAST_CLAIMS:
        _pool(ranks)
    pooled: list[list[float]] = []
    for rank in ranks:
        pooled.append(rank)
        while len(pooled) > 1 and _share(pooled[-2]) >= _share(pooled[-1]):
            _pool(pooled)
    return tuple((round(rank[0], 3), round(_told(rank), 3)) for rank in pooled)


def _pool(ranks: list[list[float]]) -> None:
    """Make one rank of the last two."""
    upper, lower = ranks.pop(), ranks.pop()
    ranks.append([lower[0], lower[1] + upper[1], lower[2] + upper[2], upper[3]])


def _share(rank: Sequence[float]) -> float:
    """Return how often a rank is right, by Laplace's rule of succession."""
    return (rank[2] + 1.0) / (rank[1] + 2.0)


def _told(rank: Sequence[float]) -> float:
    share = _share(rank)
    wrong = 1.0 - rank[2] / rank[1]
    return min(MOST, share) if wrong <= MOST_WRONG_OF_SURE else min(SURE, share)


def _drives_of(bounds: Mapping[DriveSet, Sequence[int]]) -> list[tuple[DriveSet, int]]:
    """Return the drives of both sets, mixed evenly: whatever is cut off leaves both."""
    places = {}
    for name, ends in bounds.items():
        seeds = [
            seed
            for first, end in zip(ends[::2], ends[1::2], strict=True)
            for seed in range(first, end)
        ]
        places |= {(name, seed): place / len(seeds) for place, seed in enumerate(seeds)}
    return sorted(places, key=lambda drive: places[drive])


def judge_by_rules(
    drives: Sequence[tuple[DriveSet, int]], keep: Path | None
) -> dict[tuple[DriveSet, int], DriveOutcome]:
    """Return outcomes of drives by the rules alone, taking and keeping them one by one."""
    outcomes = pickle.loads(keep.read_bytes()) if keep and keep.exists() else {}
    with mock.patch.dict(CALIBRATION, place=(), meaning=(), scale=()):
        for name, seed in drives:
            if (name, seed) in outcomes:
                continue
            outcomes[name, seed] = judge_seed(name, seed)[1]
            if keep:
                unfinished = keep.with_suffix(".part")
                unfinished.write_bytes(pickle.dumps(outcomes))
                unfinished.replace(keep)
    return outcomes


def main() -> None:
    """Judge drives by the rules alone and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    sets = (DriveSet.MAIN, DriveSet.HARD)
    for name in sets:
        parser.add_argument(
            f"--{name.value}", type=int, nargs="+", default=(), help="from, to, from, to"
        )
    parser.add_argument("--keep", type=Path, help="where outcomes are kept, and taken from")
    given = parser.parse_args()
    drives = _drives_of({name: getattr(given, name.value) for name in sets})
    outcomes = judge_by_rules(drives, given.keep).values()
    claims = [claim for outcome in outcomes for claim in outcome.claims]
    for what in CALIBRATION:
        steps = fit_steps([one for one in claims if one.what == what and one.probability > 0.0])
        sys.stdout.write(f'    "{what}": {steps},\n')


if __name__ == "__main__":
    main()
