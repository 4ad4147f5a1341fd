"""The cycles of a recorded load, from the short ones of a motion to those of a shift."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.time_weighted import Buckets
from replay.duty.cycle_search import (
    FoundCycle,
    UniformLoad,
    cycle_of_blocks,
    period_in,
    refined_period,
)
from replay.duty.duty_type import LoadProfile
from replay.duty.read_load import LoadSource, dense_seconds, load_profile, uniform_load

__all__ = ["CycleSearch", "find_cycles"]

PROBES: Final = 9
"""Stretches over the span in which a short period is looked for."""
PROBE_S: Final = 60.0
PROBE_STEP_S: Final = 0.02
MIDDLE_SAMPLES: Final = 1200
WHOLE_SAMPLES: Final = 4096
BLOCKS: Final = 24
BLOCK_PERIODS: Final = 12.0
LEAST_BLOCK_PERIODS: Final = 4.0
PERIOD_STEPS: Final = 48
PROFILE_PERIODS: Final = 5.0
LONGER_TIMES: Final = 3.0
"""A second cycle is told where it is as many times as long as the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleSearch:
    """The cycles that were found, from the shortest, and load and speed over some of the first."""

    cycles: tuple[FoundCycle, ...]
    profile: LoadProfile | None


def find_cycles(source: LoadSource, seconds: Buckets) -> CycleSearch:
    """Return the cycles of a load.

    Parameters
    ----------
    seconds
        The seconds of the load over the span.
    """
    mean = dense_seconds(source, seconds, seconds.mean, missing=np.nan)
    found: list[FoundCycle] = []
    profile = None
    for period_s in _candidates(source, mean, found):
        blocks = _blocks(source, mean, period_s)
        cycle = cycle_of_blocks([middle for middle, _ in blocks], [one for _, one in blocks])
        if cycle is None:
            continue
        if found and cycle.period_s[0] < LONGER_TIMES * found[-1].period_s[0]:
            continue
        if not found:
            middle_s = next(middle for middle, one in blocks if one is not None)
            lasts_s = PROFILE_PERIODS * period_s
            begin_s = min(max(middle_s - lasts_s / 2.0, 0.0), source.seconds - lasts_s)
            profile = load_profile(
                source, max(begin_s, 0.0), lasts_s, cycle.period_s[0] / PERIOD_STEPS
            )
        found.append(cycle)
    return CycleSearch(cycles=tuple(found), profile=profile)


def _candidates(source: LoadSource, mean: Floats, found: Sequence[FoundCycle]) -> Iterator[float]:
    """Yield periods that a stretch shows, at three scales; `found` fills meanwhile."""
    lasts_s = min(PROBE_S, float(source.seconds))
    begins = np.linspace(0.0, source.seconds - lasts_s, PROBES if source.seconds > PROBE_S else 1)
    yield from _best([uniform_load(source, float(one), lasts_s, PROBE_STEP_S) for one in begins])
    step = _step_for(1, found)
    length = MIDDLE_SAMPLES * step
    middles = [_averaged(mean[at : at + length], step) for at in _spread(len(mean), length)]
    yield from _best(middles)
    step = _step_for(-(-len(mean) // WHOLE_SAMPLES), found)
    if step > 1:
        yield from _best([_averaged(mean, step)])


def _best(traces: list[UniformLoad]) -> Iterator[float]:
    """Yield the period of the stretch that shows one most clearly, if any does."""
    periods = [one for one in map(period_in, traces) if one is not None]
    if periods:
        yield max(periods, key=lambda one: one[1])[0]


def _step_for(least: int, found: Sequence[FoundCycle]) -> int:
    """Return a step in whole seconds in which cycles that are known are averaged out."""
    return max(least, int(np.ceil(found[-1].period_s[0])) if found else 1)


def _spread(n: int, length: int) -> list[int]:
    if n <= length:
        return [0]
    return [int(one) for one in np.linspace(0, n - length, 5)]


def _averaged(mean: Floats, step: int) -> UniformLoad:
    count = len(mean) // step
    parts = mean[: count * step].reshape(count, step)
    held = np.isfinite(parts)
    sums = np.where(held, parts, 0.0).sum(axis=1)
    number = held.sum(axis=1)
    load = np.full(count, np.nan)
    np.divide(sums, number, out=load, where=number > step / 2)
    return UniformLoad(begin_s=0.0, step_s=float(step), load=load)


def _blocks(source: LoadSource, mean: Floats, period_s: float) -> list[tuple[float, float | None]]:
    """Return the middle of each block over the span, and the period that it has there."""
    span_s = float(source.seconds)
    count = int(min(max(span_s / (BLOCK_PERIODS * period_s), 4.0), BLOCKS))
    count = max(min(count, int(span_s / (LEAST_BLOCK_PERIODS * period_s))), 1)
    lasts_s = min(BLOCK_PERIODS * period_s, span_s / count)
    step_s = period_s / PERIOD_STEPS
    out = []
    for begin_s in np.linspace(0.0, span_s - lasts_s, count):
        if step_s >= 1.0:
            # Seconds are fine enough, and need no rows.
            trace = _averaged(mean[int(begin_s) : int(begin_s + lasts_s)], int(step_s))
        else:
            trace = uniform_load(source, float(begin_s), lasts_s, step_s)
        out.append((float(begin_s) + lasts_s / 2.0, refined_period(trace, period_s)))
    return out
