"""Where forecasts of a load go wrong: what a forecaster would gain that knows more.

Run as a module it prints one line a forecaster, of runs whose truth is known:

    python -m tests.support.forecast_study --runs 40 --mean 150
    python -m tests.support.forecast_study --runs 20 --cyclic --channel winding
    python -m tests.support.forecast_study --runs 20 --cyclic --uneven 0.1

    as told    the forecast as it is
    law        the same joint and state, its load drawn from the law that made it
    load       the same joint and state under the load that came: what is left are joint and room
    perfect    the true joint and state, the load drawn from the law that made it: what it misses
               nobody could know

Of cycles that vary, law and perfect also know when the present half ends.
"""

import argparse
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.heat import forecast
from logger.heat.fitted import FittedHeat
from logger.heat.forecast import Futures, Passage, draw_futures
from logger.heat.load_law import LoadLaw, LoadLawKind, LoadsAhead, loads_of_seconds
from logger.heat.observer import ObserverState
from logger.heat.track import HeatTrack
from logger.joint.thermal.thermal_duty import settled_degC
from tests.support.observed_joint import ObservedJoint, follow, observed_joint, random_duty

__all__ = [
    "FORECASTERS",
    "Judged",
    "judged_bouts",
    "judged_passages",
    "summary_line",
    "uneven_cycles",
]

FORECASTERS: Final = ("as told", "law", "load", "perfect")
SECONDS: Final = 4 * 3600
HOUR_S: Final = 3600
EVERY_S: Final = 600
LARGEST_A: Final = 14.0
"""Of `random_duty`."""
REST_S: Final = 2400
BOUT_S: Final = 2400
BOUT_JUDGED_S: Final = (120, 240, 360, 480, 720, 960)
"""After the begin of each bout of cycles."""
EARLY_SHARE: Final = 0.75
"""Of the rise: below it a forecast of a cyclic load is judged."""

Loads = Callable[[LoadLaw, np.ndarray, int, np.random.Generator], LoadsAhead]


@dataclass(frozen=True, slots=True)
class Judged:
    """What came, in seconds from then (inf: not within the hour), and what was forecast of it."""

    reached_s: float
    passage: Passage
    seed: int = 0
    """Of its run: what is judged of one joint errs alike."""

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

    @property
    def claimed(self) -> float:
        """How likely it was said to be right."""
        return max(self.passage.probability, 1.0 - self.passage.probability)

    @property
    def error(self) -> float:
        """By how much the median missed, as a share; beyond the hour counts as the hour."""
        came_s, told_s = min(self.reached_s, HOUR_S), min(self.passage.median_s, HOUR_S)
        return abs(told_s - came_s) / came_s


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What is asked at an instant, and what a forecaster may know of it."""

    channel: str
    level: float
    law: Loads
    """The load drawn from the law that made it."""
    within_s: int = HOUR_S
    """For so long the load goes on as it is; what is not reached by then is not judged."""


def judged_passages(
    seed: int,
    current_A: np.ndarray,  # noqa: N803 - the unit's own spelling
    forecasters: Sequence[str] = ("as told",),
    *,
    mean_s: float = math.nan,
    winding: bool = False,
    channel: str = "temperature_housing_degC",
) -> Iterator[tuple[str, Judged]]:
    """Yield what each forecaster said of a level, every ten minutes, whatever came of it.

    The level lies between half of the node's rise and a little above it, the same for all.

    Parameters
    ----------
    forecasters
        Of `FORECASTERS`.
    mean_s
        Of the law of the load, which "law" and "perfect" know.
    winding
        Whether it has a sensor.
    channel
        The temperature that the level is of.
    """
    run = observed_joint(seed, current_A, winding=winding or "winding" in channel)
    dice = np.random.default_rng(seed + 5)
    begin, settled = _rise(run, channel, float(np.mean(current_A**2)))
    level = round(begin + (settled - begin) * dice.uniform(0.5, 1.1))
    for second, track in follow(run):
        if second % EVERY_S == 0 and HOUR_S <= second <= len(current_A) - HOUR_S:
            law = _law_loads(mean_s, float(current_A[second - 1]))
            asked = _Asked(channel=channel, level=level, law=law)
            yield from _judged(run, second, track, asked, forecasters)


def judged_bouts(
    seed: int,
    forecasters: Sequence[str] = ("as told",),
    *,
    channel: str = "temperature_housing_degC",
    bouts: int = 3,
    uneven: float = 0.0,
) -> Iterator[tuple[str, Judged]]:
    """Yield what each forecaster said in bouts of cycles of 8 to 60 s, after two whole ones.

    Of a level below three quarters of what the joint rises by in the bout: later it has settled,
    and a time to a level says nothing.

    Parameters
    ----------
    uneven
        Standard deviation of the logarithms of each half's length and current.
    """
    dice = np.random.default_rng(seed + 10_000)
    on_s, off_s = dice.integers(4, 30, 2)
    low_A = dice.uniform(1.0, 4.0)  # noqa: N806 - the unit's own spelling
    cycle = np.concatenate([np.full(on_s, 12.0), np.full(off_s, low_A)])
    halves = [(on_s, 12.0), (off_s, low_A)]
    own = np.random.default_rng(seed + 20_000)
    parts = []
    for _ in range(bouts):
        parts.append(np.full(REST_S, 0.5))
        parts.append(uneven_cycles(halves, BOUT_S, uneven, own))
    current_A = np.concatenate(parts)  # noqa: N806
    bout_s = REST_S + BOUT_S
    run = observed_joint(seed, current_A, winding="winding" in channel)
    node = run.fitted.node_of(channel)
    _, settled = _rise(run, channel, float(np.mean(cycle**2)))
    for second, track in follow(run):
        since_s = second % bout_s - REST_S
        if since_s not in BOUT_JUDGED_S or since_s < 2 * len(cycle):
            continue
        begin = float(run.truth_degC[second - since_s, node])
        low, high = run.truth_degC[second, node], begin + EARLY_SHARE * (settled - begin)
        level = round(low + (high - low) * dice.uniform(0.1, 1.0))
        ahead_A = current_A[second : second + BOUT_S - since_s]  # noqa: N806
        known = _known_load(ahead_A, then=cycle)
        law = _uneven_loads(ahead_A, halves, uneven) if uneven else known
        asked = _Asked(channel=channel, level=level, law=law, within_s=BOUT_S - since_s)
        yield from _judged(run, second, track, asked, forecasters)


def uneven_cycles(
    parts: Sequence[tuple[float, float]], seconds: int, uneven: float, dice: np.random.Generator
) -> np.ndarray:
    """Return the current of each second of cycles, their parts (s, A) each with its own scatter."""
    out = np.empty(0)
    while len(out) < seconds:
        for length_s, current_A in parts:  # noqa: N806 - the unit's own spelling
            length_off, current_off = np.exp(uneven * dice.standard_normal(2))
            out = np.append(
                out, np.full(max(round(length_s * length_off), 1), current_A * current_off)
            )
    return out[:seconds]


def _rise(run: ObservedJoint, channel: str, mean_square: float) -> tuple[float, float]:
    """Return from where to where a node goes under a mean load."""
    node = run.fitted.node_of(channel)
    assert node is not None
    begin = float(run.truth_degC[0, node])
    settled = settled_degC(run.fitted.joint, mean_square_A2=mean_square, ambient_degC=begin - 3.0)
    return begin, float(settled[node])


def _judged(
    run: ObservedJoint, second: int, track: HeatTrack, asked: _Asked, forecasters: Sequence[str]
) -> Iterator[tuple[str, Judged]]:
    """Yield what each says at a second; nothing where the level is reached already."""
    read = run.readings[asked.channel]
    if not track.is_known or read[second - 10 : second].max() >= asked.level:
        return
    hits = np.flatnonzero(read[second : second + asked.within_s] >= asked.level)
    if asked.within_s < HOUR_S and not len(hits):
        return
    reached_s = float(hits[0] + 1) if len(hits) else math.inf
    came = _known_load(run.current_A[second : second + HOUR_S])
    perfect = replace(track, state=_true_state(run, second, track))
    told = {
        "as told": (run.fitted, track, forecast.draw_loads),
        "law": (run.fitted, track, asked.law),
        "load": (run.fitted, track, came),
        "perfect": (run.true, perfect, asked.law),
    }
    for name in forecasters:
        futures = _futures(*told[name])[run.fitted.sensors.index(asked.channel)]
        yield name, Judged(reached_s, futures.passage(asked.level, count_K=1.0))


def _true_state(run: ObservedJoint, second: int, track: HeatTrack) -> ObserverState:
    """Return the state that nobody has: the truth, and nothing open about it."""
    assert track.state is not None
    now = (*run.truth_degC[second], run.room_degC[second - 1])
    return replace(
        track.state,
        mean_degC=np.tile(now, (len(track.state.mean_degC), 1)),
        states_covariance=((0.0,) * 3,) * 3,
    )


def _futures(fitted: FittedHeat, track: HeatTrack, loads: Loads) -> tuple[Futures, ...]:
    """Return the futures of each node, the load drawn in another way."""
    assert track.state is not None
    assert track.history is not None
    own = forecast.draw_loads
    forecast.draw_loads = loads
    try:
        return draw_futures(fitted, track.state, track.history)
    finally:
        forecast.draw_loads = own


def _law_loads(mean_s: float, present_A: float) -> Loads:  # noqa: N803
    """Return loads of the law of `random_duty`, which has no memory: the present hold goes on."""

    def drawn(
        _law: LoadLaw, until_s: np.ndarray, count: int, dice: np.random.Generator
    ) -> LoadsAhead:
        out = np.empty((count, len(until_s), 1))
        for row in range(count):
            square = _squares(mean_s, present_A, dice)
            out[row, :, 0] = _means(square, until_s)
        return LoadsAhead(means=out)

    return drawn


def _squares(mean_s: float, present_A: float, dice: np.random.Generator) -> np.ndarray:  # noqa: N803
    """Return the squared current of each second of an hour."""
    holds_s = 1 + dice.exponential(mean_s, int(2.0 * HOUR_S / mean_s) + 20).astype(np.int64)
    level = dice.uniform(0.0, LARGEST_A, len(holds_s))
    level[0] = present_A
    out = np.repeat(level**2, holds_s)[:HOUR_S]
    return np.asarray(np.concatenate([out, np.full(HOUR_S - len(out), level[-1] ** 2)]))


def _known_load(current_A: np.ndarray, then: np.ndarray | None = None) -> Loads:  # noqa: N803
    """Return the load that comes; beyond it the cycle `then` goes on, or the last second."""
    then = current_A[-1:] if then is None else then
    more = np.tile(then, HOUR_S // len(then) + 1)
    current_A = np.concatenate([current_A, more])[:HOUR_S]  # noqa: N806

    def drawn(
        law: LoadLaw, until_s: np.ndarray, count: int, _dice: np.random.Generator
    ) -> LoadsAhead:
        if law.kind is LoadLawKind.CYCLIC:
            seconds = np.broadcast_to(current_A[None, :, None] ** 2, (count, len(current_A), 1))
            return loads_of_seconds(seconds, len(until_s))
        one = _means(current_A**2, until_s)[None, :, None]
        return LoadsAhead(means=np.broadcast_to(one, (count, len(until_s), 1)))

    return drawn


def _uneven_loads(
    current_A: np.ndarray,  # noqa: N803
    parts: Sequence[tuple[float, float]],
    uneven: float,
) -> Loads:
    """Return loads of the law of `uneven_cycles`; the present half alone is known, and its end."""
    rest_s = int(np.flatnonzero(np.append(current_A[1:] != current_A[:-1], True))[0]) + 1
    is_first = current_A[0] > math.sqrt(parts[0][1] * parts[1][1])
    following = [*parts[1:], parts[0]] if is_first else parts

    def drawn(
        law: LoadLaw, until_s: np.ndarray, count: int, dice: np.random.Generator
    ) -> LoadsAhead:
        later = [uneven_cycles(following, HOUR_S, uneven, dice) for _ in range(count)]
        seconds = np.array([np.append(current_A[:rest_s], one)[:HOUR_S] ** 2 for one in later])
        if law.kind is LoadLawKind.CYCLIC:
            return loads_of_seconds(seconds[:, :, None], len(until_s))
        return LoadsAhead(means=np.array([_means(one, until_s) for one in seconds])[:, :, None])

    return drawn


def _means(square: np.ndarray, until_s: np.ndarray) -> np.ndarray:
    """Return the mean of a square in each step ahead."""
    sums = np.concatenate([[0.0], np.cumsum(square)])
    edges = np.concatenate([[0.0], until_s])
    energy = np.interp(edges, np.arange(len(sums)), sums)
    return np.asarray(np.diff(energy) / np.diff(edges))


def summary_line(name: str, judged: Sequence[Judged]) -> str:
    """Return the share of outcomes in the band and beyond either end, what was sure, the error."""
    early = np.mean([one.reached_s < one.passage.soonest_s for one in judged])
    late = np.mean([one.reached_s > one.passage.latest_s for one in judged])
    sure = [one for one in judged if one.is_sure]
    right = "none"
    if sure:
        share, claimed = (
            np.mean([getattr(one, key) for one in sure]) for key in ("is_right", "claimed")
        )
        right = f"{share:.2f} of {len(sure)} (claimed {claimed:.2f})"
    held = np.mean([one.holds for one in judged])
    runs = [
        [one.holds for one in judged if one.seed == seed] for seed in {one.seed for one in judged}
    ]
    # A run counts by how often it was judged: the standard error of a ratio.
    off = [sum(one) - held * len(one) for one in runs]
    error = math.sqrt(sum(one**2 for one in off)) / len(judged)
    return (
        f"{name:8} band {held:.2f} +- {error:.2f} of {len(judged)} in {len(runs)} runs, "
        f"sooner {early:.2f}, later {late:.2f}; "
        f"sure ones right {right}; median error {np.median([one.error for one in judged]):.0%}"
    )


def main() -> None:
    """Write one line a forecaster."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    parser.add_argument("--mean", type=float, default=150.0, help="of the holds, in s")
    parser.add_argument("--cyclic", action="store_true", help="bouts of cycles in place of holds")
    parser.add_argument("--uneven", type=float, default=0.0, help="scatter of cycles, as a share")
    parser.add_argument("--bouts", type=int, default=3, help="of cycles, a run")
    parser.add_argument("--winding", action="store_true", help="it has a sensor")
    parser.add_argument("--channel", choices=["housing", "winding"], default="housing")
    parser.add_argument("--forecasters", nargs="+", choices=FORECASTERS, default=FORECASTERS)
    asked = parser.parse_args()
    channel = f"temperature_{asked.channel}_degC"
    found: dict[str, list[Judged]] = {name: [] for name in asked.forecasters}
    for seed in range(asked.first, asked.first + asked.runs):
        told = (
            judged_bouts(
                seed,
                asked.forecasters,
                channel=channel,
                bouts=asked.bouts,
                uneven=asked.uneven,
            )
            if asked.cyclic
            else judged_passages(
                seed,
                random_duty(seed, SECONDS, asked.mean),
                asked.forecasters,
                mean_s=asked.mean,
                winding=asked.winding,
                channel=channel,
            )
        )
        for name, one in told:
            found[name].append(replace(one, seed=seed))
    for name, judged in found.items():
        sys.stdout.write(summary_line(name, judged) + "\n")


if __name__ == "__main__":
    main()
