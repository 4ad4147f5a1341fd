"""How the load of a joint may go on, drawn from how it went.

Three cases, tried in this order:

    cyclic   the load repeats itself (autocorrelation): the last whole cycles are replayed in phase
    holds    stretches of equal load follow each other: the future is put together from such
             stretches of the past, drawn with weights that are drawn themselves (Bayesian
             bootstrap); the present one ends like past ones that lasted longer, or goes on where
             it is likelier to be of another law than so old
    held     there have been few stretches, or one: the present load goes on

A stretch that is drawn is followed by those that came after it, for half a minute at least, so that
what belongs together (a move and its pause) stays together. A load that changed, many stretches
ago, to another kind is drawn from since then. Pure; loads are mean squares a second.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints

__all__ = ["LoadLaw", "LoadLawKind", "draw_loads", "find_load_law"]

HISTORY_S: Final = 4 * 3600
"""So much of the load is kept: of slow holds an hour has too few to tell what they are like."""
DRAWN_S: Final = 3600
DRAWN_HOLDS: Final = 240
"""The law is drawn from the last hour, or from so many stretches where they lasted longer."""
SAME_SHARE: Final = 0.12
"""Of the load's 95th percentile (as a root mean square): within it two seconds are one stretch."""
RUN_S: Final = 30
WEIGHTED_TOGETHER: Final = 8
MANY_HOLDS: Final = 12
"""So many stretches since a change of the load tell what the new load is like."""
FEW_HOLDS: Final = 6
"""Fewer stretches tell nothing of how the present one ends: it goes on."""
SMEARED_BELOW: Final = 4.0
OTHER_LAW: Final = 2.0
LEAST_PERIOD_S: Final = 3
CYCLE_WINDOWS_S: Final = (1200, 600, 300, 180, 120, 90, 60, 45)
LEAST_CORRELATION: Final = 0.85
MOST_CORRELATION: Final = 0.9999
LEAST_LIKENESS: Final = 4.0
"""Standard deviations of Fisher's z: of random holds one law in thousands is taken for a cycle."""
UNLIKE_SHARE: Final = 0.5
"""Of the variance of a load's last cycle: a cycle that is off by more in the mean square is none
of its kind, but what went before."""
REPLAYED_S: Final = 300
"""So long a stretch of whole cycles is replayed, where there is one; two cycles at least."""
STEADY_SHARE: Final = 0.02
"""A load that varies by no more about its mean is one load."""


class LoadLawKind(StrEnum):
    """What the future load is made of."""

    HELD = "held"
    HOLDS = "holds"
    CYCLIC = "cyclic"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLaw:
    """How the load went, as what its future is made of."""

    kind: LoadLawKind
    history: Floats
    """Of n seconds, the last is the present: mean squares, and of a joint that speed warms as well
    mean magnitude and mean square of the speed; shape (n, 1) or (n, 3)."""
    starts: Ints
    """Where each stretch begins, in order; the last goes on."""
    period_s: float = 0.0
    """Of a cyclic load."""
    cycles: int = 0
    """How many whole ones are replayed."""

    @property
    def mean(self) -> Floats:
        """Mean of what may come: one number for each column."""
        if self.kind is LoadLawKind.CYCLIC:
            return np.asarray(self.history[-round(self.cycles * self.period_s) :].mean(axis=0))
        if self.kind is LoadLawKind.HELD:
            return np.asarray(self.history[self.starts[-1] :].mean(axis=0))
        return np.asarray(self.history.mean(axis=0))


def find_load_law(history: Floats) -> LoadLaw:
    """Return what a load is like.

    Parameters
    ----------
    history
        Of the last n seconds, at least one, without NaN: seconds in which nothing is known are left
        out. Shape (n, 1) or (n, 3), as in `LoadLaw`.
    """
    square = history[:, 0]
    cycle = _find_cycle(square)
    if cycle is not None:
        period, cycles = cycle
        return LoadLaw(
            kind=LoadLawKind.CYCLIC,
            history=history,
            starts=np.array([0]),
            period_s=period,
            cycles=cycles,
        )
    starts = _hold_starts(square)
    begin = min(
        max(len(square) - DRAWN_S, 0), int(starts[-DRAWN_HOLDS]) if len(starts) > DRAWN_HOLDS else 0
    )
    if begin:
        history = history[begin:]
        starts = np.append(0, starts[starts > begin] - begin)
    while (change := _law_change(history[:, 0], starts)) is not None:
        history, starts = history[starts[change] :], starts[change:] - starts[change]
    kind = LoadLawKind.HELD if len(starts) < FEW_HOLDS else LoadLawKind.HOLDS
    return LoadLaw(kind=kind, history=history, starts=starts)


def _hold_starts(square: Floats) -> Ints:
    """Return where stretches of equal load begin."""
    size = np.sqrt(square)
    same = SAME_SHARE * float(np.quantile(size, 0.95))
    is_other = np.abs(np.diff(size)) > same
    return np.concatenate([[0], np.flatnonzero(is_other) + 1]).astype(np.int64)


def _law_change(square: Floats, starts: Ints) -> int | None:
    """Return at which stretch the load became of another kind; None where it did not.

    By the cumulated sum of what each stretch adds beyond the mean (Page, 1954), against the root of
    its squares: of stretches of one kind that is a Brownian bridge, which exceeds `OTHER_LAW` once
    in 1,500 times (Kolmogorov). So many stretches at least have to be of the new kind.
    """
    if len(starts) < 2 * MANY_HOLDS:
        return None
    sums = np.concatenate([[0.0], np.cumsum(square - square.mean())])
    added = np.diff(sums[np.append(starts, len(square))])
    excursion = np.abs(np.cumsum(added))[: len(starts) - MANY_HOLDS]
    at = int(np.argmax(excursion))
    is_other = excursion[at] > OTHER_LAW * float(np.sqrt(added @ added))
    return at + 1 if is_other else None


def _find_cycle(square: Floats) -> tuple[float, int] | None:
    """Return the period of a load that repeats itself, in s, and how many cycles to replay.

    In each window, the longest first, the first peak of the autocorrelation that is nearly as high
    as its highest; its period is refined at the last of its multiples, so that a replay of minutes
    stays in phase. What is replayed are the last cycles that are alike.
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
            return exact, cycles
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
    return first if likeness >= LEAST_LIKENESS else None


def draw_loads(law: LoadLaw, until_s: Floats, count: int, dice: np.random.Generator) -> Floats:
    """Return the mean load within each of m steps ahead, of `count` futures.

    Parameters
    ----------
    until_s
        Ends of the steps from now on, in s, shape (m,); the first begins now.

    Returns
    -------
    numpy.ndarray
        Shape (count, m, columns).
    """
    edges = np.concatenate([[0.0], until_s])
    if law.kind is LoadLawKind.HELD:
        mean = law.mean
        return np.broadcast_to(mean, (count, len(until_s), len(mean)))
    if law.kind is LoadLawKind.CYCLIC:
        energy = _replayed(law, edges)
        means = np.diff(energy, axis=0) / np.diff(edges)[:, None]
        return np.asarray(means[None] * _cycle_factors(law, count, dice)[:, None, :])
    energy = _drawn(law, edges, count, dice)
    return np.asarray(np.diff(energy, axis=1) / np.diff(edges)[None, :, None])


def _replayed(law: LoadLaw, edges: Floats) -> Floats:
    """Return the sums of the load up to each edge, whole cycles replayed: shape (m, columns)."""
    length = round(law.cycles * law.period_s)
    sums = np.concatenate(
        [np.zeros((1, law.history.shape[1])), np.cumsum(law.history[-length:], axis=0)]
    )
    rounds, phase = np.divmod(edges, length)
    return np.asarray(rounds[:, None] * sums[-1] + _at(sums, phase))


def _cycle_factors(law: LoadLaw, count: int, dice: np.random.Generator) -> Floats:
    """Return by how much cycles to come may differ from those replayed: shape (count, columns).

    A few cycles tell their mean no better than they differ among each other.
    """
    length = law.cycles * law.period_s
    edges = np.rint(len(law.history) - length + law.period_s * np.arange(law.cycles + 1))
    sums = np.concatenate([[0.0], np.cumsum(law.history[:, 0])])
    each = np.diff(sums[edges.astype(np.int64)])
    spread = float(each.std(ddof=1) / max(each.mean(), 1e-12)) if law.cycles > 1 else 0.3
    share = min(max(spread / np.sqrt(law.cycles), 0.1 / law.cycles**2), 0.5)
    factors = np.ones((count, law.history.shape[1]))
    factors[:, 0] = np.exp(share * dice.standard_normal(count))
    return factors


def _drawn(law: LoadLaw, edges: Floats, count: int, dice: np.random.Generator) -> Floats:
    """Return the sums of the load up to each edge, put together from stretches."""
    ends = np.append(law.starts[1:], len(law.history))
    length = ends - law.starts
    # Some sets of weights, each for several futures: what they differ by is soon seen.
    few = dice.standard_exponential((-(-count // WEIGHTED_TOGETHER), len(length)))
    weights = np.repeat(few, WEIGHTED_TOGETHER, axis=0)[:count]
    sums = np.concatenate([np.zeros((1, law.history.shape[1])), np.cumsum(law.history, axis=0)])
    # Runs of stretches: each begins with one and lasts for half a minute, or to the end of history.
    run_end = ends[np.minimum(np.searchsorted(ends, law.starts + RUN_S), len(ends) - 1)]
    run_s = run_end - law.starts
    horizon = float(edges[-1])
    left_s, level = _rest_of_present(law, length, weights, horizon, dice)
    runs = int(np.ceil(1.5 * horizon / max(float(run_s.mean()), 1.0))) + 8
    shares = np.cumsum(few, axis=1)
    shares /= shares[:, -1:]
    drawn = np.empty((count, runs), np.int64)
    picks = dice.random((count, runs))
    for row, share in enumerate(shares):
        block = slice(row * WEIGHTED_TOGETHER, (row + 1) * WEIGHTED_TOGETHER)
        drawn[block] = np.searchsorted(share, picks[block])
    np.minimum(drawn, len(length) - 1, out=drawn)
    begin = law.starts[drawn]
    lasts = run_s[drawn].astype(np.float64)
    # A law of very long runs and few: the last one drawn is held on.
    lasts[:, -1] = horizon + 1.0
    offset = left_s[:, None] + np.concatenate(
        [np.zeros((count, 1)), np.cumsum(lasts[:, :-1], axis=1)], axis=1
    )
    gained = sums[begin + run_s[drawn]] - sums[begin]
    before = np.cumsum(gained, axis=1) - gained
    before += (left_s[:, None] * level)[:, None, :] - sums[begin]
    room = 2.0 * horizon + float(offset.max()) + 1.0
    keys = offset + room * np.arange(count)[:, None]
    asked = edges[None, :] + room * np.arange(count)[:, None]
    at = np.searchsorted(keys.ravel(), asked.ravel(), "right").reshape(count, -1) - 1
    at -= np.arange(count)[:, None] * runs
    is_present = at < 0
    at = np.maximum(at, 0)
    rows = np.arange(count)[:, None]
    within = np.minimum(edges[None, :] - offset[rows, at], run_s[drawn[rows, at]])
    energy = before[rows, at] + _at(sums, begin[rows, at] + np.maximum(within, 0.0))
    return np.asarray(
        np.where(is_present[..., None], edges[None, :, None] * level[:, None, :], energy)
    )


def _rest_of_present(
    law: LoadLaw, length: Ints, weights: Floats, horizon: float, dice: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return for how long the present stretch goes on, and at which load, of each future.

    It ends like past ones that lasted longer, or, as one more might, beyond the longest: by as long
    as a stretch lasts on average, whatever its age. In some futures it does not end: it belongs to
    another law (`_chance_of_another`).
    """
    count, age = len(weights), int(length[-1])
    level = np.broadcast_to(
        law.history[law.starts[-1] :].mean(axis=0), (count, law.history.shape[1])
    )
    past = length[:-1]
    longer = np.flatnonzero(past > age)
    mean_s = weights[:, :-1] @ past / weights[:, :-1].sum(axis=1)
    chances = np.cumsum(
        np.concatenate([weights[:, longer], dice.standard_exponential((count, 1))], axis=1), axis=1
    )
    picked = (chances < dice.random((count, 1)) * chances[:, -1:]).sum(axis=1)
    # Few past ones are a coarse law: what is left of them is smeared, an exponential at the widest.
    shape = max(1.0, len(longer) / SMEARED_BELOW)
    known = np.append(past[longer] - age, 0)[picked] * dice.gamma(shape, 1.0 / shape, count)
    beyond = max(int(past.max()) - age, 0) + mean_s * dice.standard_exponential(count)
    rest = np.where(picked == len(longer), beyond, known)
    is_other = dice.random(count) < _chance_of_another(past, age)
    return np.where(is_other, horizon + 1.0, rest), level


def _chance_of_another(past: Ints, age: int) -> float:
    """Return how likely it is that the present stretch is the first of another law, and goes on.

    Of n stretches none was: for the next one that leaves 1 in n + 2 (rule of succession). One of
    the same law grows as old with a chance of (k + 1) in n + 1, k the past ones that grew older,
    and beyond the longest with one that falls as an exponential of their mean does. Bayes' rule
    weighs the two: a bit older than the longest is even odds, twice so old is another law.
    """
    count = len(past)
    other = 1.0 / (count + 2)
    as_old = (float((past > age).sum()) + 1.0) / (count + 1)
    as_old *= float(np.exp(-max(age - int(past.max()), 0) / max(float(past.mean()), 1.0)))
    return other / (other + (1.0 - other) * as_old)


def _at(sums: Floats, place: Floats) -> Floats:
    """Return running sums between whole seconds, straight in between."""
    whole = np.minimum(place.astype(np.int64), len(sums) - 2)
    share = (place - whole)[..., None]
    return np.asarray(sums[whole] + share * (sums[whole + 1] - sums[whole]))
