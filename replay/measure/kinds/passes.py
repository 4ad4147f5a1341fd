"""Passes at constant speed both ways over the same angles: found in a trace, paired, halved. Pure.

Half the difference of a pass and the pass back, over the angles that both have, is friction; half
the sum is gravity and whatever else hangs on the angle. Over unlike angles gravity would be taken
for friction.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logger.arrays import Floats
from replay.measure.setup import SpanTrace

__all__ = ["PassPair", "SteadyPass", "pair_passes", "steady_passes"]

STEADY_SHARE: Final = 0.15
"""A speed is constant that stays within this share of its median."""
PASS_LEAST_S: Final = 0.4
LEAST_POINTS: Final = 20
_GRID: Final = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyPass:
    """One pass: n points in order of time, shape (n,) each."""

    time_s: Floats
    angle_rad: Floats
    torque: Floats
    speed_rad_s: float
    """With its sign."""
    before: float
    """The largest torque against the motion in the half second before it, NaN where it moved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PassPair:
    """A pass and the pass back over the same angles."""

    friction: float
    """Half the difference of both, averaged over the angles."""
    middle: float
    """Half the sum: gravity and offset."""
    breakaway: float
    """Half the difference of what it took to start, NaN where that was not seen."""
    plus: float
    """Mean torque of the positive pass."""
    minus: float
    speed_rad_s: float
    time_s: float
    """Its middle."""
    end_s: float


def steady_passes(span: SpanTrace, torque: str) -> Iterator[SteadyPass]:
    """Yield the stretches of a span in which the speed is constant, in order of time."""
    time_s, angle = span.channel("position_rad")
    if len(time_s) < LEAST_POINTS:
        return
    if len(span.channel("speed_rad_s")[0]) >= LEAST_POINTS:
        speed = span.values_at("speed_rad_s", time_s)
    else:
        speed = np.gradient(angle, time_s)
    torques = span.values_at(torque, time_s)
    typical = float(np.quantile(np.abs(speed), 0.9))
    if typical <= 0.0:
        return
    sign = np.where(speed > 0.05 * typical, 1, np.where(speed < -0.05 * typical, -1, 0))
    edges = np.flatnonzero(np.diff(sign)) + 1
    for begin, end in pairwise([0, *edges.tolist(), len(sign)]):
        if sign[begin] == 0 or end - begin < LEAST_POINTS:
            continue
        steady = _constant(speed[begin:end]) + begin
        if len(steady) < LEAST_POINTS or time_s[steady[-1]] - time_s[steady[0]] < PASS_LEAST_S:
            continue
        yield SteadyPass(
            time_s=time_s[steady],
            angle_rad=angle[steady],
            torque=torques[steady],
            speed_rad_s=float(np.mean(speed[steady])),
            before=_breakaway(time_s, torques, sign, begin),
        )


def _constant(speed: Floats) -> np.ndarray:
    """Return the indices of the run around the median speed."""
    middle = float(np.median(speed))
    near = np.abs(speed - middle) <= STEADY_SHARE * abs(middle)
    rows = np.flatnonzero(near)
    return rows if near.mean() > 0.5 else rows[:0]


def _breakaway(time_s: Floats, torque: Floats, sign: np.ndarray, begin: int) -> float:
    """Return the largest torque against friction as it starts from rest, NaN without a rest."""
    rest = begin - 1
    while rest > 0 and sign[rest - 1] == 0 and time_s[begin] - time_s[rest] < 0.5:
        rest -= 1
    if begin == 0 or sign[begin - 1] != 0 or time_s[begin] - time_s[rest] < 0.1:
        return float("nan")
    around = torque[rest : begin + 2]
    return float(around.max() if sign[begin] > 0 else around.min())


def pair_passes(passes: Sequence[SteadyPass]) -> list[PassPair]:
    """Return each pass with the one back that follows it, at the same speed, over common angles."""
    pairs = []
    used = set()
    for index, one in enumerate(passes):
        if index in used:
            continue
        for other_index in range(index + 1, min(index + 3, len(passes))):
            other = passes[other_index]
            unlike = abs(abs(one.speed_rad_s) - abs(other.speed_rad_s))
            if other_index in used or one.speed_rad_s * other.speed_rad_s > 0.0:
                continue
            if unlike > 2.0 * STEADY_SHARE * abs(one.speed_rad_s):
                continue
            pair = _paired(one, other)
            if pair is not None:
                pairs.append(pair)
                used |= {index, other_index}
                break
    return pairs


def _paired(one: SteadyPass, other: SteadyPass) -> PassPair | None:
    low = max(float(one.angle_rad.min()), float(other.angle_rad.min()))
    high = min(float(one.angle_rad.max()), float(other.angle_rad.max()))
    widest = max(float(np.ptp(one.angle_rad)), float(np.ptp(other.angle_rad)))
    if high - low < 0.5 * widest:
        return None
    plus, minus = (one, other) if one.speed_rad_s > 0.0 else (other, one)
    grid = np.linspace(low, high, _GRID)
    means = [_over_angles(each, grid) for each in (plus, minus)]
    return PassPair(
        friction=float(np.mean(means[0] - means[1])) / 2.0,
        middle=float(np.mean(means[0] + means[1])) / 2.0,
        # Each starts at its own end, where gravity differs: that of the middle curve is taken off.
        breakaway=(
            (plus.before - float(means[0][0] + means[1][0]) / 2.0)
            - (minus.before - float(means[0][-1] + means[1][-1]) / 2.0)
        )
        / 2.0,
        plus=float(np.mean(means[0])),
        minus=float(np.mean(means[1])),
        speed_rad_s=(abs(one.speed_rad_s) + abs(other.speed_rad_s)) / 2.0,
        time_s=float(one.time_s[0] + other.time_s[-1]) / 2.0,
        end_s=float(other.time_s[-1]),
    )


def _over_angles(one: SteadyPass, grid: Floats) -> Floats:
    """Return the torque as means over a grid of angles: each angle counts alike."""
    width = (grid[-1] - grid[0]) / (len(grid) - 1)
    at = np.rint((one.angle_rad - grid[0]) / width).astype(np.int64)
    inside = (at >= 0) & (at < len(grid))
    counts = np.bincount(at[inside], minlength=len(grid))
    sums = np.bincount(at[inside], one.torque[inside], minlength=len(grid))
    known = counts > 0
    return np.interp(grid, grid[known], sums[known] / counts[known])
