"""Where forecasts of a random duty go wrong: what a forecaster would gain that knows more.

Run as a module it prints one line a forecaster, of runs whose truth is known:

    python -m tests.support.forecast_study --runs 40 --mean 150

    as told    the forecast as it is
    law        the same joint and state, its load drawn from the law that made it
    load       the same joint and state under the load that came: what is left are joint and room
"""

import argparse
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.heat import forecast
from logger.heat.fitted import FittedHeat
from logger.heat.forecast import Passage, draw_futures
from logger.heat.load_law import LoadLaw
from logger.heat.track import HeatTrack
from logger.joint.thermal.thermal_duty import settled_degC
from tests.support.observed_joint import follow, observed_joint, random_duty

__all__ = ["Judged", "judged_passages", "summary_line"]

SECONDS: Final = 4 * 3600
HOUR_S: Final = 3600
EVERY_S: Final = 600
LARGEST_A: Final = 14.0
"""Of `random_duty`."""

Loads = Callable[[LoadLaw, np.ndarray, int, np.random.Generator], np.ndarray]


@dataclass(frozen=True, slots=True)
class Judged:
    """What came, in seconds from then (inf: not within the hour), and what was forecast of it."""

    reached_s: float
    passage: Passage

    @property
    def holds(self) -> bool:
        """Whether what came lies in the 90 % band."""
        return self.passage.soonest_s <= self.reached_s <= self.passage.latest_s

    @property
    def is_sure(self) -> bool:
        """Whether the level was as good as certain to be reached, or not to be."""
        return not 0.2 <= self.passage.probability <= 0.8

    @property
    def is_right(self) -> bool:
        """Whether it was reached where that was likelier, and not where it was not."""
        return math.isfinite(self.reached_s) == (self.passage.probability > 0.5)


def judged_passages(
    seed: int,
    current_A: np.ndarray,  # noqa: N803 - the unit's own spelling
    forecasters: Sequence[str] = ("as told",),
    *,
    mean_s: float = math.nan,
    winding: bool = False,
) -> Iterator[tuple[str, Judged]]:
    """Yield what each forecaster said of a level, every ten minutes, whatever came of it.

    The level lies between half of the housing's rise and a little above it, the same for all.

    Parameters
    ----------
    forecasters
        "as told", "law" or "load".
    mean_s
        Of the law of the load, which "law" knows.
    """
    run = observed_joint(seed, current_A, winding=winding)
    dice = np.random.default_rng(seed + 5)
    begin = float(run.truth_degC[0, 1])
    mean_square = float(np.mean(current_A**2))
    settled = float(
        settled_degC(run.fitted.joint, mean_square_A2=mean_square, ambient_degC=begin - 3.0)[1]
    )
    level = round(begin + (settled - begin) * dice.uniform(0.5, 1.1))
    read = run.readings["temperature_housing_degC"]
    for second, track in follow(run):
        is_judged = second % EVERY_S == 0 and HOUR_S <= second <= len(current_A) - HOUR_S
        if not is_judged or not track.is_known or read[second - 10 : second].max() >= level:
            continue
        hits = np.flatnonzero(read[second : second + HOUR_S] >= level)
        reached_s = float(hits[0] + 1) if len(hits) else math.inf
        told = {
            "as told": forecast.draw_loads,
            "law": _law_loads(mean_s, float(current_A[second - 1])),
            "load": _known_load(current_A[second : second + HOUR_S]),
        }
        for name in forecasters:
            yield name, Judged(reached_s, _passage(run.fitted, track, told[name], level))


def _passage(fitted: FittedHeat, track: HeatTrack, loads: Loads, level: float) -> Passage:
    """Return when the housing reaches a level, its load drawn in another way."""
    assert track.state is not None
    assert track.history is not None
    own = forecast.draw_loads
    forecast.draw_loads = loads
    try:
        futures = draw_futures(fitted, track.state, track.history)[1]
    finally:
        forecast.draw_loads = own
    return futures.passage(level, count_K=1.0)


def _law_loads(mean_s: float, present_A: float) -> Loads:  # noqa: N803
    """Return loads of the law of `random_duty`, which has no memory: the present hold goes on."""

    def drawn(
        _law: LoadLaw, until_s: np.ndarray, count: int, dice: np.random.Generator
    ) -> np.ndarray:
        out = np.empty((count, len(until_s), 1))
        for row in range(count):
            square = _squares(mean_s, present_A, dice)
            out[row, :, 0] = _means(square, until_s)
        return out

    return drawn


def _squares(mean_s: float, present_A: float, dice: np.random.Generator) -> np.ndarray:  # noqa: N803
    """Return the squared current of each second of an hour."""
    level, out = present_A, np.empty(0)
    while len(out) < HOUR_S:
        out = np.append(out, np.full(1 + int(dice.exponential(mean_s)), level**2))
        level = dice.uniform(0.0, LARGEST_A)
    return out[:HOUR_S]


def _known_load(current_A: np.ndarray) -> Loads:  # noqa: N803
    def drawn(
        _law: LoadLaw, until_s: np.ndarray, count: int, _dice: np.random.Generator
    ) -> np.ndarray:
        one = _means(current_A**2, until_s)[None, :, None]
        return np.broadcast_to(one, (count, len(until_s), 1))

    return drawn


def _means(square: np.ndarray, until_s: np.ndarray) -> np.ndarray:
    """Return the mean of a square in each step ahead."""
    sums = np.concatenate([[0.0], np.cumsum(square)])
    edges = np.concatenate([[0.0], until_s])
    energy = np.interp(edges, np.arange(len(sums)), sums)
    return np.asarray(np.diff(energy) / np.diff(edges))


def summary_line(name: str, judged: Sequence[Judged]) -> str:
    """Return the share of outcomes in the band, beyond either end, and of sure ones right."""
    early = np.mean([one.reached_s < one.passage.soonest_s for one in judged])
    late = np.mean([one.reached_s > one.passage.latest_s for one in judged])
    sure = [one.is_right for one in judged if one.is_sure]
    right = f"{np.mean(sure):.2f} of {len(sure)}" if sure else "none"
    held = np.mean([one.holds for one in judged])
    return (
        f"{name:8} band {held:.2f} of {len(judged)}, sooner {early:.2f}, later {late:.2f}; "
        f"sure ones right {right}"
    )


def main() -> None:
    """Write one line a forecaster."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    parser.add_argument("--mean", type=float, default=150.0, help="of the holds, in s")
    parser.add_argument("--winding", action="store_true", help="it has a sensor")
    parser.add_argument("--forecasters", nargs="+", default=["as told", "law", "load"])
    asked = parser.parse_args()
    found: dict[str, list[Judged]] = {name: [] for name in asked.forecasters}
    for seed in range(asked.first, asked.first + asked.runs):
        load = random_duty(seed, SECONDS, asked.mean)
        told = judged_passages(
            seed, load, asked.forecasters, mean_s=asked.mean, winding=asked.winding
        )
        for name, one in told:
            found[name].append(one)
    for name, judged in found.items():
        sys.stdout.write(summary_line(name, judged) + "\n")


if __name__ == "__main__":
    main()
