"""Rainflow cycles of a trace (ASTM E1049-85, 5.4.4), counted as it comes in. Pure.

A range that is no larger than both its neighbours is a full cycle and is taken out; what is left at
the end, whose ranges first grow and then shrink, counts as half cycles. That gives the cycles of
the standard's rule (which compares each range with the one before it and starts anew where a range
holds the starting point), whatever the order in which ranges are taken out: so a trace fed in any
chunks has the same cycles, and many are taken out at once.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints

__all__ = ["Cycles", "RainflowCounter", "RangeSpectrum", "count_cycles", "relative_damage"]

_FEW_SHARE: Final = 16
"""Where fewer than one point in so many is taken out at once, points are gone through singly."""
BINS: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """n cycles, or halves of them; each array of shape (n,), in the unit of the trace."""

    size: Floats
    """Range: from valley to peak."""
    mean: Floats
    count: Floats
    """1, or 1/2."""


def count_cycles(values: Floats) -> Cycles:
    """Return the rainflow cycles of a whole trace, in order of their extraction."""
    size, mean, residue = _extracted(_turning_points(np.asarray(values, np.float64)))
    return Cycles(
        size=np.concatenate([size, np.abs(np.diff(residue))]),
        mean=np.concatenate([mean, (residue[1:] + residue[:-1]) / 2.0]),
        count=np.concatenate([np.ones(len(size)), np.full(max(len(residue) - 1, 0), 0.5)]),
    )


def relative_damage(size: Floats, count: Floats, slope: float) -> float:
    """Return Miner's sum for N = range^-slope: only good for comparing one load with another.

    D = sum(n_i / N_i) (Palmgren and Miner).
    """
    return float(count @ np.asarray(size) ** slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeSpectrum:
    """How many cycles there are of each range, and what they do for a slope."""

    edges: Floats
    """Ends of the ranges, shape (n + 1,)."""
    count: Floats
    """Cycles of each, halves counted as halves, shape (n,)."""
    largest: float
    slope: float
    """m of N = range^-m."""
    equivalent: float
    """So many cycles of the largest range do the same damage."""
    ignored_below: float
    """Smaller ranges are counted nowhere."""


class RainflowCounter:
    """Counts the cycles of one trace, fed in any chunks; keeps no more than what is still open."""

    def __init__(self, lowest: float, highest: float, *, slope: float, least: float) -> None:
        """Begin to count.

        Parameters
        ----------
        lowest, highest
            Of the trace: what the ranges of the spectrum are made from.
        slope
            m of N = range^-m.
        least
            Smaller ranges are noise and not counted.
        """
        span = max(highest - lowest, 1e-12)
        self._edges = np.linspace(0.0, span, BINS + 1)
        self._count = np.zeros(BINS)
        self._slope = slope
        self._least = least
        self._damage = 0.0
        self._largest = 0.0
        self._open = np.empty(0)

    def feed(self, values: Floats) -> None:
        """Take the next values of the trace, without NaN."""
        size, _, self._open = _extracted(_turning_points(np.concatenate([self._open, values])))
        self._add(size, 1.0)

    def spectrum(self) -> RangeSpectrum:
        """Return what was counted so far, what is still open as half cycles; ends the counting."""
        self._add(np.abs(np.diff(self._open)), 0.5)
        self._open = self._open[-1:]
        whole = self._largest**self._slope
        return RangeSpectrum(
            edges=self._edges,
            count=self._count.copy(),
            largest=self._largest,
            slope=self._slope,
            equivalent=self._damage / whole if whole > 0.0 else 0.0,
            ignored_below=self._least,
        )

    def _add(self, size: Floats, each: float) -> None:
        size = size[size >= self._least]
        if not len(size):
            return
        width = self._edges[1]
        at = np.minimum((size / width).astype(np.int64), BINS - 1)
        self._count += each * np.bincount(at, minlength=BINS)
        self._damage += each * float((size**self._slope).sum())
        self._largest = max(self._largest, float(size.max()))


def _turning_points(values: Floats) -> Floats:
    """Return first and last value, and each between them where the trace turns."""
    if len(values) < 2:
        return values
    moved = np.asarray(values[np.append(True, np.diff(values) != 0.0)])
    if len(moved) < 3:
        return moved
    rising = np.diff(moved) > 0.0
    turns = np.append(np.append(True, rising[1:] != rising[:-1]), True)
    return np.asarray(moved[turns])


def _extracted(points: Floats) -> tuple[Floats, Floats, Floats]:
    """Return ranges and means of the full cycles of turning points, and the points that are left.

    The last point need not be a turn yet: the range before it can only grow.
    """
    sizes, means = [], []
    while len(points) >= 4:
        size = np.abs(np.diff(points))
        inner = np.flatnonzero((size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:])) + 1
        inner = _every_other(inner)
        if len(inner) * _FEW_SHARE < len(points):
            by_point = _extracted_by_point(points)
            sizes.append(by_point[0])
            means.append(by_point[1])
            points = by_point[2]
            break
        sizes.append(size[inner])
        means.append((points[inner] + points[inner + 1]) / 2.0)
        kept = np.ones(len(points), bool)
        kept[inner] = kept[inner + 1] = False
        points = points[kept]
    return (
        np.concatenate([np.empty(0), *sizes]),
        np.concatenate([np.empty(0), *means]),
        points,
    )


def _every_other(index: Ints) -> Ints:
    """Return indices of which no two follow each other: of each run the first, third and so on."""
    if not len(index):
        return index
    run = np.cumsum(np.diff(index, prepend=index[0] - 1) != 1)
    first = np.flatnonzero(np.diff(run, prepend=run[0] - 1))
    offset = np.arange(len(index)) - np.repeat(first, np.diff(np.append(first, len(index))))
    return np.asarray(index[offset % 2 == 0])


def _extracted_by_point(points: Floats) -> tuple[Floats, Floats, Floats]:
    """Do the same point by point, for traces in which cycles lie within cycles."""
    sizes, means, stack = [], [], []
    for point in points.tolist():
        stack.append(point)
        while len(stack) >= 4:
            before, inner, after = (abs(stack[at] - stack[at + 1]) for at in (-4, -3, -2))
            if inner > before or inner > after:
                break
            sizes.append(inner)
            means.append((stack[-3] + stack[-2]) / 2.0)
            del stack[-3:-1]
    return np.array(sizes, np.float64), np.array(means, np.float64), np.array(stack, np.float64)
