"""Cycles of a load found by themselves: their period, and how it drifts. Pure.

A course that repeats correlates with itself one period later. The shortest such delay is the
period; in blocks spread over the recording it is found anew, over several periods at once so that a
fraction of a sample counts, and a straight line through the blocks is the drift.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from logger.arrays import Floats

__all__ = ["FoundCycle", "UniformLoad", "cycle_of_blocks", "period_in", "refined_period"]

LEAST_CORRELATION: Final = 0.6
"""Of a course with itself one period later, for cycles that are called cycles."""
_NEAR_BEST: Final = 0.93
"""A shorter delay with this share of the best correlation is the period, the best a multiple."""
LEAST_PERIODS: Final = 3.0
"""That a stretch must hold for its period to be told."""
LEAST_SAMPLES: Final = 8
"""Of a period."""
LEAST_HELD: Final = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class UniformLoad:
    """A load as means over steps of one length, NaN in a gap."""

    begin_s: float
    step_s: float
    load: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCycle:
    """A cycle of the load."""

    period_s: tuple[float, float, float]
    """Mean over the recording, and its 95 % interval."""
    drift_per_h: tuple[float, float, float] | None
    """Change of the period in an hour as a share of it, with its 95 % interval; None where there
    are fewer than four blocks."""
    share: float
    """Of the blocks looked at, in which the load had this cycle."""
    blocks: int
    """How many blocks of the recording it was found in."""


def period_in(trace: UniformLoad) -> tuple[float, float] | None:
    """Return the period in s of a stretch, and the correlation at that delay; None for none."""
    correlation = _autocorrelation(trace.load)
    if correlation is None:
        return None
    most = int(len(trace.load) / LEAST_PERIODS)
    inside = correlation[: most + 2]
    # Up to where it first falls, a delay is short against anything that happens.
    fallen = np.flatnonzero(inside < 0.5 * LEAST_CORRELATION)
    if not len(fallen):
        return None
    peaks = np.flatnonzero((inside[1:-1] >= inside[:-2]) & (inside[1:-1] > inside[2:])) + 1
    peaks = peaks[peaks > fallen[0]]
    if not len(peaks):
        return None
    best = float(inside[peaks].max())
    if best < LEAST_CORRELATION:
        return None
    first = int(peaks[inside[peaks] >= _NEAR_BEST * best][0])
    if first < LEAST_SAMPLES:
        # Too quick for these samples: what they show of it would be a multiple.
        return None
    return (first + _vertex(inside, first)) * trace.step_s, float(inside[first])


def refined_period(trace: UniformLoad, period_s: float) -> float | None:
    """Return the period of a block near a known one; None where it does not have it.

    The delay of several periods is found step by step: one, two, four and so on.
    """
    correlation = _autocorrelation(trace.load)
    if correlation is None:
        return None
    multiple, found = 1, period_s / trace.step_s
    while True:
        centre, reach = multiple * found, max(0.1 * found / multiple, 2.0)
        low, high = math.floor(centre - reach), math.ceil(centre + reach)
        if high + 1 >= len(correlation) * 2 // 3:
            return found * trace.step_s if multiple > 1 else None
        at = low + int(np.argmax(correlation[low : high + 1]))
        if at in {low, high} or correlation[at] < LEAST_CORRELATION:
            return found * trace.step_s if multiple > 1 else None
        found = (at + _vertex(correlation, at)) / multiple
        multiple *= 2


def cycle_of_blocks(
    middle_s: Sequence[float], period_s: Sequence[float | None]
) -> FoundCycle | None:
    """Return the cycle whose period was found in some of several blocks; None for less than half.

    Parameters
    ----------
    middle_s
        The middle of each block.
    """
    kept = [(at, one) for at, one in zip(middle_s, period_s, strict=True) if one is not None]
    if len(kept) < max(2, len(period_s) / 2):
        return None
    at, found = (np.array(one) for one in zip(*kept, strict=True))
    n, mean = len(found), float(found.mean())
    spread = float(found.std(ddof=1)) / math.sqrt(n) * float(stdtrit(n - 1, 0.975))
    drift = None
    if n >= 4:
        away = at - at.mean()
        slope = float(away @ (found - mean) / (away @ away))
        left = found - mean - slope * away
        sd = math.sqrt(float(left @ left) / (n - 2) / float(away @ away))
        reach = sd * float(stdtrit(n - 2, 0.975))
        drift = tuple(3600.0 * one / mean for one in (slope, slope - reach, slope + reach))
    return FoundCycle(
        period_s=(mean, mean - spread, mean + spread),
        drift_per_h=drift,  # type: ignore[arg-type]
        share=n / len(period_s),
        blocks=n,
    )


def _autocorrelation(load: Floats) -> Floats | None:
    """Return the correlation with itself for each delay; None for a course that stands still."""
    held = np.isfinite(load)
    if held.mean() < LEAST_HELD or len(load) < 4 * LEAST_SAMPLES:
        return None
    centred = np.where(held, load - load[held].mean(), 0.0)
    variance = float(centred @ centred) / float(held.sum())
    if variance <= 1e-12 * max(float(np.square(load[held]).mean()), 1e-12):
        return None
    size = 1 << (2 * len(load) - 1).bit_length()

    def correlated(values: Floats) -> Floats:
        spectrum = np.fft.rfft(values, size)
        return np.asarray(np.fft.irfft(spectrum * spectrum.conj(), size)[: len(values)])

    both = correlated(held.astype(np.float64))
    return np.asarray(correlated(centred) / np.maximum(both, 1.0) / variance)


def _vertex(values: Floats, at: int) -> float:
    """Return where the parabola through a peak and its neighbours is highest, against `at`."""
    before, here, after = values[at - 1 : at + 2]
    bend = before - 2.0 * here + after
    return float(0.5 * (before - after) / bend) if bend < 0.0 else 0.0
