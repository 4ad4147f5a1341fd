"""Whether a load repeats itself, and where its cycles began. Pure.

Two ways:

    even     any shape, of one period: the autocorrelation of the load (`_even_cycles`)
    uneven   in turn above and below the middle, for times and at loads that are alike but not the
             same: a machine that waits for its part, a load that varies (`_uneven_cycles`)

Stretches at random are alike now and then. So both count by how unlikely it is that a load without
a cycle looks like that, and few cycles have to be more alike than many.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints

__all__ = ["LoadCycles", "find_load_cycles"]

LEAST_PERIOD_S: Final = 3
CYCLE_WINDOWS_S: Final = (1200, 600, 300, 180, 120, 90, 60, 45)
LEAST_CORRELATION: Final = 0.85
MOST_CORRELATION: Final = 0.9999
LEAST_LIKENESS: Final = 4.0
"""Standard deviations of Fisher's z: of random holds one law in thousands is taken for a cycle."""
LIKENESS_OF_TWO: Final = 5.5
"""The same where a window holds fewer than three cycles: of a load that goes between two levels at
random two stretches in turn are nearly as long as the two before them every now and then."""
UNLIKE_SHARE: Final = 0.5
"""Of the variance of a load's last cycle: a cycle that is off by more in the mean square is none
of its kind, but what went before."""
REPLAYED_S: Final = 300
"""So long a stretch of whole cycles is replayed, where there is one; two cycles at least."""
STEADY_SHARE: Final = 0.02
"""A load that varies by no more about its mean is one load."""
TURN_SHARE: Final = 0.15
"""Of the way from the low to the high load, either side of the middle: so far it has to go."""
LEAST_UNEVEN: Final = 3
"""Whole uneven cycles; two that are alike are two stretches of the same length, as many are."""
UNEVEN_S: Final = 900
MOST_UNEVEN: Final = 40
ALIKE_LOGARITHM: Final = 0.5
ALIKE_S: Final = 2.0
"""Halves of cycles are alike whose lengths differ by less than a factor of 1.6, or by 2 s."""
ALIKE_LOAD: Final = 0.5
"""Of the step between high and low: the loads of alike halves differ by less."""
OUTLIVED: Final = 1.3
"""A half that has lasted so much longer than all alike ones is no part of their cycle any more."""
ROUNDED_S: Final = 0.4
"""Standard deviation of a length that is counted in seconds."""
SEVERAL: Final = 1.5
"""An even period of so many uneven ones is several of them."""
MOST_CHANCE: Final = 3e-5
"""Of stretches at random being as alike in length as those of a cycle."""
MORE_CYCLES: Final = 0.5
"""By how much the logarithm of it has to be lower for each cycle beyond three: a run at random is
begun where it looks alike, so a long one has more of what looks alike by that choice alone."""
MOST_LOAD_CHANCE: Final = 1e-2
"""Of their being as alike in load: no evidence where there are but two loads, but asked for."""
MOST_CHANCE_OF_BOTH: Final = 4e-8
"""Stretches of nearly one length, each at a load of its own, are alike in length alone."""
LEAST_VARIANCE: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCycles:
    """The last cycles of a load that are alike."""

    starts: Ints
    """Where each whole cycle begins, in order, and where the last one ends: shape (n + 1,)."""
    resumes: Ints
    """Where the load was at the phase of the present, in those that tell how it goes on."""

    @property
    def period_s(self) -> float:
        """Mean length of a cycle."""
        return float(self.starts[-1] - self.starts[0]) / (len(self.starts) - 1)


def find_load_cycles(square: Floats) -> LoadCycles | None:
    """Return the cycles of a load; None where it does not repeat itself.

    `square`: mean squares of the last n seconds, the last the present.
    """
    even, uneven = _even_cycles(square), _uneven_cycles(square)
    if even is None or uneven is None:
        return even or uneven
    # Of cycles that vary, two by two or three by three are alike by chance.
    return uneven if even.period_s > SEVERAL * uneven.period_s else even


def _even_cycles(square: Floats) -> LoadCycles | None:
    """Return cycles of one period.

    In each window, the longest first, the first peak of the autocorrelation that is nearly as high
    as its highest; its period is refined at the last of its multiples, so that a replay of minutes
    stays in phase. What counts are the last cycles that are alike.
    """
    for window_s in CYCLE_WINDOWS_S:
        if len(square) < min(window_s, 4 * LEAST_PERIOD_S):
            continue
        values = square[-window_s:]
        values = values - values.mean()
        spread = float(values @ values) / len(values)
        if spread <= (STEADY_SHARE * float(square[-window_s:].mean())) ** 2:
            continue
        correlation = _autocorrelation(values)
        period = _first_peak(correlation, len(values))
        if period is None:
            continue
        exact = float(period)
        for multiple in range(2, (len(correlation) - 1) // period + 1):
            centre = round(exact * multiple)
            low = max(centre - 2, 1)
            near = correlation[low : centre + 3]
            if not len(near) or near.max() < LEAST_CORRELATION - 0.1:
                break
            exact = (low + int(np.argmax(near))) / multiple
        cycles = _like_cycles(values, exact, max(2, round(REPLAYED_S / exact)))
        if cycles >= 2:
            starts = len(square) - np.rint(exact * np.arange(cycles, -1, -1)).astype(np.int64)
            return LoadCycles(starts=starts, resumes=starts[:-1])
    return None


def _like_cycles(values: Floats, period_s: float, most: int) -> int:
    """Return how many of the last cycles are alike, the last one included."""
    count, length = len(values), round(period_s)
    last = values[count - length :]
    spread = float(last.var())
    for number in range(1, most):
        begin = count - length - round(number * period_s)
        if begin < 0:
            return number
        off = values[begin : begin + length] - last
        if float(off @ off) > UNLIKE_SHARE * length * spread:
            return number
    return most


def _autocorrelation(values: Floats) -> Floats:
    """Return the correlation of a window with itself at each lag up to half of it."""
    count = len(values)
    spectrum = np.fft.rfft(values, 2 * count)
    sums = np.fft.irfft(np.abs(spectrum) ** 2)[: count // 2 + 1]
    squares = np.concatenate([[0.0], np.cumsum(values**2)])
    lag = np.arange(len(sums))
    head, tail = squares[count - lag], squares[count] - squares[lag]
    return np.asarray(sums / np.maximum(np.sqrt(head * tail), 1e-30))


def _first_peak(correlation: Floats, count: int) -> int | None:
    """Return the lag of the first high peak; None where the load does not repeat itself.

    Holds that follow each other at random are alike now and then. So a correlation counts by how
    unlikely it is among as many numbers as are independent in what overlaps (Fisher's z): a load is
    so for as long as its correlation with itself takes to fall to a half, either way.
    """
    negative = np.flatnonzero(correlation < 0.5)
    if not len(negative):
        return None
    inner = correlation[1:-1]
    is_peak = (inner >= correlation[:-2]) & (inner >= correlation[2:])
    lags = np.flatnonzero(is_peak) + 1
    lags = lags[(lags > negative[0]) & (lags >= LEAST_PERIOD_S)]
    if not len(lags):
        return None
    best = float(correlation[lags].max())
    if best < LEAST_CORRELATION:
        return None
    first = int(lags[correlation[lags] >= best - 0.05][0])
    independent = (count - first) / (2.0 * negative[0])
    likeness = math.atanh(min(best, MOST_CORRELATION)) * math.sqrt(max(independent - 1.0, 0.0))
    least = LEAST_LIKENESS if count >= 3 * first else LIKENESS_OF_TWO
    return first if likeness >= least else None


def _uneven_cycles(square: Floats) -> LoadCycles | None:
    """Return cycles whose lengths and loads vary, the longest window that has some."""
    for window_s in CYCLE_WINDOWS_S:
        if len(square) < window_s:
            continue
        found = _cycles_between(square, len(square) - window_s)
        if found is not None:
            return found
    return None


def _cycles_between(square: Floats, begin: int) -> LoadCycles | None:
    """Return the uneven cycles behind a second, by the middle of the load there."""
    turns = begin + _crossings(np.sqrt(square[begin:]))
    # Halves in order, the last one whole; of them each second one is of the same side.
    halves = len(turns) - 1
    if halves < 2 * LEAST_UNEVEN:
        return None
    age = len(square) - int(turns[-1])
    lengths = np.diff(turns).astype(np.float64)
    loads = np.add.reduceat(square, turns)[:-1] / lengths
    count = min(halves // 2, MOST_UNEVEN)
    # One row a whole cycle, the newest first: the half like the present one, and the other.
    rows = np.arange(halves - 2, halves - 2 - 2 * count, -2)
    pairs = np.stack([rows, rows + 1], axis=1)
    alike = _alike_count(lengths[pairs], loads[pairs], UNEVEN_S)
    if alike < LEAST_UNEVEN:
        return None
    pairs = pairs[:alike]
    like = lengths[pairs]
    if age > OUTLIVED * float(like[:, 0].max()) + ALIKE_S:
        return None
    step = abs(float(loads[pairs[:, 0]].mean() - loads[pairs[:, 1]].mean()))
    now = float(square[turns[-1] :].mean())
    if abs(now - loads[pairs[:, 0]].mean()) > ALIKE_LOAD * step:
        return None
    of_lengths, of_loads = _log_chance_of_lengths(like), _log_chance_of_loads(loads[pairs], step)
    if (
        of_lengths > math.log(MOST_CHANCE) - MORE_CYCLES * (alike - LEAST_UNEVEN)
        or of_loads > math.log(MOST_LOAD_CHANCE)
        or of_lengths + of_loads > math.log(MOST_CHANCE_OF_BOTH)
    ):
        return None
    starts = turns[np.append(pairs[::-1, 0], halves)]
    # The present half ends like those that lasted longer; where none did, it ends now.
    own = like[::-1, 0].astype(np.int64)
    longer = own > age if (own > age).any() else own == own.max()
    return LoadCycles(starts=starts, resumes=(starts[:-1] + np.minimum(age, own))[longer])


def _crossings(size: Floats) -> Ints:
    """Return where a load goes from its lower to its upper half, and back."""
    few = len(size) // 20
    low, high = np.partition(size, [few, len(size) - 1 - few])[[few, -1 - few]].tolist()
    if high - low <= STEADY_SHARE * high:
        return np.empty(0, np.int64)
    share = (size - low) / (high - low) - 0.5
    beyond = np.flatnonzero(np.abs(share) > TURN_SHARE)
    side = share[beyond] > 0.0
    return np.asarray(beyond[1:][side[1:] != side[:-1]])


def _alike_count(lengths: Floats, loads: Floats, most_s: float) -> int:
    """Return how many cycles, the newest first, are like the newest ones; both of shape (n, 2)."""
    middle = LEAST_UNEVEN // 2
    length, load = (np.sort(one[:LEAST_UNEVEN], axis=0)[middle] for one in (lengths, loads))
    near = np.abs(np.log(lengths / length)) < ALIKE_LOGARITHM
    near |= np.abs(lengths - length) < ALIKE_S
    near &= np.abs(loads - load) < ALIKE_LOAD * abs(float(load[0] - load[1]))
    is_other = ~near.all(axis=1) | (np.cumsum(lengths.sum(axis=1)) > most_s)
    # One that is not may be an odd one, two that follow each other are what went before.
    others = np.flatnonzero(is_other[1:] & is_other[:-1])
    count = int(others[0]) if len(others) else len(is_other)
    return count - int(count > 0 and is_other[count - 1])


def _log_chance_of_lengths(lengths: Floats) -> float:
    """Return how likely lengths at random are as alike as these, as a logarithm; shape (m, 2).

    At random means an exponential law, which knows no length. Of m logarithms of such lengths the
    joint density on the line where all are equal is, integrated along it, gamma(m) / m^m. Both
    halves are independent.
    """
    count = len(lengths)
    variance = np.log(lengths).var(axis=0, ddof=1) + (ROUNDED_S / lengths.mean(axis=0)) ** 2
    at_line = math.lgamma(count) - count * math.log(count)
    return float(np.minimum(at_line + _log_nearness(variance, count), 0.0).sum())


def _log_chance_of_loads(loads: Floats, step: float) -> float:
    """Return how likely loads at random are as alike as these, as a logarithm; shape (m, 2).

    At random: anything within the step between high and low.
    """
    variance = np.maximum(loads.var(axis=0, ddof=1) / step**2, LEAST_VARIANCE)
    return float(np.minimum(_log_nearness(variance, len(loads)), 0.0).sum())


def _log_nearness(variance: Floats, count: int) -> Floats:
    """Return the size of what lies as near to the line where m numbers are equal, a unit along it.

    It is a ball of m - 1 dimensions whose radius is the root of the squared deviations, and a unit
    along each of m axes is sqrt(m) along the line; as a logarithm.
    """
    ball = 0.5 * (count - 1) * math.log(math.pi) - math.lgamma(0.5 * (count + 1))
    radius = 0.5 * np.log((count - 1) * variance)
    return np.asarray(0.5 * math.log(count) + ball + (count - 1) * radius)
