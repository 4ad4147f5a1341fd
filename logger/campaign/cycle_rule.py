"""When a cycle begins: a level that a course rises through, learned from the course itself. Pure.

Most levels are crossed several times in a cycle, or in a few cycles only. Of all levels that are
crossed at regular intervals most of the time the one that is crossed least often counts each cycle
once; of several such levels the one furthest from any that counts otherwise is taken, with most of
that distance as hysteresis, so that noise and a load that lags do not count twice.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints, to_s

__all__ = [
    "COURSE_CHANNELS",
    "LEAST_STARTS",
    "CycleRule",
    "find_rises",
    "learn_rule",
]

COURSE_CHANNELS: Final = ("position_rad", "torque_Nm", "current_A")
"""Where cycles are looked for: the first of them that a joint reports."""
LEAST_STARTS: Final = 6
"""Of a level that cycles are counted by; fewer are not told from a movement beforehand."""
_LEVELS: Final = 48
_BAND: Final = 0.04
"""Share of the range of a course by which it has to pass a level on both sides."""
_LEAST_RANGE: Final = {"position_rad": 0.01}
"""Of a course: a joint that holds its position may swing by less."""
_REGULAR: Final = 0.15
"""By which an interval may differ from the median one, as a share of it, to be regular."""
_REGULAR_SHARE: Final = 0.75
"""Of the intervals of a cycle, that are regular; the others hold pauses and faults."""
_COVERED: Final = 0.95
"""Share of the time of regular intervals at any level; a level that has less was crossed in a
stretch only, or missed cycles of another load."""
_RARE: Final = 12
"""A level that is crossed so many times less than others is no cycle but a movement between."""
_SAME_COUNT: Final = 0.03
_MISSED_CYCLES: Final = 5.0
"""Without a rise, after which the movement may be another one. They are lost, if it is."""
_MOST_HYSTERESIS: Final = 0.6
"""Share of the way to where a level would count otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleRule:
    """A cycle begins when a channel, having been at or below `low`, is at or above `high`."""

    channel: str
    low: float
    high: float
    """Both in the channel's unit."""
    typical_s: float | None = None
    """Median interval of what it was learned from; None where somebody stated it."""
    lowest: float = -math.inf
    """Of what it was learned from, but for single values; so with `highest`."""
    highest: float = math.inf

    @property
    def widest(self) -> tuple[float, float]:
        """What the course keeps within, as long as it is still the movement learned."""
        spread = self.highest - self.lowest
        return self.lowest - spread, self.highest + spread

    def moved_by(self, offset: float) -> "CycleRule":
        """Return the rule for a course that is about another zero."""
        if not math.isfinite(offset):
            return self
        return replace(
            self,
            low=self.low + offset,
            high=self.high + offset,
            lowest=self.lowest + offset,
            highest=self.highest + offset,
        )

    def counts_like(self, other: "CycleRule | None") -> bool:
        """Return whether it is another, but for its zero: a cycle begins at the same place."""
        if other is None or other.typical_s != self.typical_s:
            return False
        offset = self.high - other.high
        width = self.high - self.low
        return math.isclose(self.low - other.low, offset, abs_tol=1e-6 * width) and (
            offset == 0.0 or math.isclose(self.lowest - other.lowest, offset, abs_tol=1e-6 * width)
        )

    def fits(self, start_ns: Ints) -> bool:
        """Return whether cycles that begin at these instants are as long as those learned from."""
        if self.typical_s is None or len(start_ns) < LEAST_STARTS:
            return False
        middle = float(np.median(to_s(np.diff(start_ns))))
        return abs(middle - self.typical_s) <= _REGULAR * self.typical_s

    @property
    def longest_wait_s(self) -> float:
        """After how long without a rise the movement may be another one."""
        return math.inf if self.typical_s is None else _MISSED_CYCLES * self.typical_s


def find_rises(values: Floats, low: float, high: float, side: int = 0) -> tuple[Ints, int]:
    """Return where a course rises, and on which side it is at its end.

    Parameters
    ----------
    values
        Shape (n,), without NaN.
    side
        Where it was before: -1 at or below `low`, 1 at or above `high`, 0 not known.

    Returns
    -------
    tuple
        Indices of the first value at or above `high` after one at or below `low`; the side.
    """
    marks = np.where(values >= high, 1, np.where(values <= low, -1, 0))
    at = np.flatnonzero(marks)
    if not len(at):
        return np.empty(0, np.int64), side
    sides = marks[at]
    before = np.concatenate([[side], sides[:-1]])
    return at[(sides == 1) & (before == -1)].astype(np.int64), int(sides[-1])


def learn_rule(
    channel: str, time_ns: Ints, values: Floats, *, known: CycleRule | None = None
) -> CycleRule | None:
    """Return the rule by which cycles of a course are counted; None where it has not shown any yet.

    Parameters
    ----------
    time_ns, values
        Shape (n,), in order of time, without NaN.
    known
        The rule before. It is kept where the course has cycles of the same length by it, and so it
        is where positions are about another zero: then its levels move with the course.
    """
    if len(values) < 4 * LEAST_STARTS:
        return None
    lowest, highest = _range_of(values)
    band = _BAND * (highest - lowest)
    if highest - lowest <= _LEAST_RANGE.get(channel, 0.0):
        return None
    levels = lowest + (np.arange(_LEVELS) + 0.5) / _LEVELS * (highest - lowest)
    rises = [find_rises(values, level - band, level + band)[0] for level in levels]
    counts = np.array([len(one) for one in rises])
    covered = np.array([_regular_s(time_ns[one]) for one in rises])
    most_s = _COVERED * float(covered[:, 0].max())
    regular = (covered[:, 0] > 0.0) & (covered[:, 1] >= most_s)
    if not regular.any():
        return None
    if known is not None:
        for offset in (0.0, lowest - known.lowest, highest - known.highest):
            kept = known.moved_by(offset) if offset else known
            own = find_rises(values, kept.low, kept.high)[0]
            if kept.fits(time_ns[own]) and _regular_s(time_ns[own])[1] >= most_s:
                return kept
    least = int(counts[regular].min())
    # Levels crossed less often than that, yet not rarely, may turn out to be the cycle.
    if ((counts > 1) & (counts < LEAST_STARTS) & (counts * _RARE > counts.max())).any():
        return None
    agrees = regular & _same(counts, least)
    first, last = _widest_run(agrees)
    reach = (last - first + 1) / 2.0 * (highest - lowest) / _LEVELS
    level = float(levels[first] + levels[last]) / 2.0
    half = max(band, _MOST_HYSTERESIS * reach)
    starts, _ = find_rises(values, level - half, level + half)
    if _regular_s(time_ns[starts])[0] == 0.0 or not _same(len(starts), least):
        half = band
        starts, _ = find_rises(values, level - half, level + half)
    return CycleRule(
        channel=channel,
        low=level - half,
        high=level + half,
        typical_s=float(np.median(to_s(np.diff(time_ns[starts])))),
        lowest=lowest,
        highest=highest,
    )


def _range_of(values: Floats) -> tuple[float, float]:
    """Return the lowest and highest value of a course, each seen twice within three readings.

    No quantiles: after a long stop the movement is a small part of what is looked at.
    """
    before, here, after = values[:-2], values[1:-1], values[2:]
    middle = np.maximum(np.minimum(before, here), np.minimum(np.maximum(before, here), after))
    return float(middle.min()), float(middle.max())


def _regular_s(start_ns: Ints) -> tuple[float, float]:
    """Return the time that the regular intervals of a level cover, 0 where it is crossed anyhow.

    And that with three intervals more: what the two ends cut off, and one that a stop took.
    """
    if len(start_ns) < LEAST_STARTS:
        return 0.0, 0.0
    intervals = to_s(np.diff(start_ns))
    middle = float(np.median(intervals))
    regular = intervals[np.abs(intervals - middle) <= _REGULAR * middle]
    if len(regular) < _REGULAR_SHARE * len(intervals):
        return 0.0, 0.0
    covered_s = float(regular.sum())
    return covered_s, covered_s + 3.0 * middle


def _same(count: "int | Ints", least: int) -> "bool | np.ndarray[tuple[int], np.dtype[np.bool_]]":
    return np.abs(count - least) <= max(1.0, _SAME_COUNT * least)


def _widest_run(agrees: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> tuple[int, int]:
    """Return the first and last index of the longest stretch that is true; there is one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], agrees.astype(np.int8), [0]])))
    begins, ends = edges[::2], edges[1::2]
    widest = int(np.argmax(ends - begins))
    return int(begins[widest]), int(ends[widest]) - 1
