"""How the load of a joint may go on, drawn from how it went.

Three cases, tried in this order:

    cyclic   the load repeats itself (`load_cycles`): the present cycle ends like a past one, then
             whole past ones follow, drawn at random: so period and size vary as they did, and
             their mean by what so many tell of it
    holds    stretches of equal load follow each other: the future is put together from such
             stretches of the past, drawn with weights that are drawn themselves (Bayesian
             bootstrap); the present one ends like past ones that lasted longer, or goes on where
             it is likelier to be of another law than so old
    held     there have been few stretches, or one: the present load goes on

A stretch or cycle that is drawn is followed by those that came after it, for half a minute at
least, so that what belongs together (a move and its pause) stays together. A load that changed,
many stretches ago, to another kind is drawn from since then. Pure; loads are mean squares a second.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.heat.load_cycles import LoadCycles, find_load_cycles

__all__ = [
    "LoadLaw",
    "LoadLawKind",
    "LoadsAhead",
    "draw_loads",
    "find_load_law",
    "loads_of_seconds",
]

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
LEAST_SCATTER: Final = 0.02
"""Of a load's size, among stretches of one law."""
LOOK_S: Final = 5.0
MOST_LOOKS: Final = 2.0
"""What lasts for longer than two looks is no more another load for it."""
LEAST_SIZE: Final = 1e-9
CYCLE_SCATTER: Final = 0.05
"""By how much the loads of cycles are taken to differ, as one more cycle would tell it: two that
are the same do not tell that a third will be."""


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
    cycles: LoadCycles | None = None
    """Of a cyclic load."""

    @property
    def period_s(self) -> float:
        """Of a cyclic load, else 0."""
        return 0.0 if self.cycles is None else self.cycles.period_s

    @property
    def mean(self) -> Floats:
        """Mean of what may come: one number for each column."""
        if self.cycles is not None:
            first, last = self.cycles.starts[[0, -1]].tolist()
            return np.asarray(self.history[first:last].mean(axis=0))
        if self.kind is LoadLawKind.HELD:
            return np.asarray(self.history[self.starts[-1] :].mean(axis=0))
        return np.asarray(self.history.mean(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadsAhead:
    """What the load may be in each step ahead."""

    means: Floats
    """Shape (futures, steps, columns)."""
    beyond: Floats | None = None
    """Shape (futures, steps): by how much the sum of the squares over a part of the step, in
    seconds, exceeds what their mean would have made of it, at most; None: not known."""


def find_load_law(history: Floats) -> LoadLaw:
    """Return what a load is like.

    Parameters
    ----------
    history
        Of the last n seconds, at least one, without NaN: seconds in which nothing is known are left
        out. Shape (n, 1) or (n, 3), as in `LoadLaw`.
    """
    square = history[:, 0]
    cycles = find_load_cycles(square)
    if cycles is not None:
        return LoadLaw(
            kind=LoadLawKind.CYCLIC, history=history, starts=cycles.starts[:-1], cycles=cycles
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


def draw_loads(law: LoadLaw, until_s: Floats, count: int, dice: np.random.Generator) -> LoadsAhead:
    """Return the load within each of m steps ahead, of `count` futures.

    Parameters
    ----------
    until_s
        Ends of the steps from now on, in s, shape (m,); the first begins now. Of a cyclic load all
        steps last the same whole number of seconds.
    """
    if law.cycles is not None:
        seconds = _drawn_cycles(law, law.cycles, int(until_s[-1]), count, dice)
        return loads_of_seconds(seconds, len(until_s))
    edges = np.concatenate([[0.0], until_s])
    if law.kind is LoadLawKind.HELD:
        mean = law.mean
        return LoadsAhead(means=np.broadcast_to(mean, (count, len(until_s), len(mean))))
    energy = _drawn(law, edges, count, dice)
    return LoadsAhead(means=np.diff(energy, axis=1) / np.diff(edges)[None, :, None])


def loads_of_seconds(seconds: Floats, steps: int) -> LoadsAhead:
    """Return the loads of equal steps from those of each second, shape (futures, n, columns)."""
    futures, _, columns = seconds.shape
    within = seconds.reshape(futures, steps, -1, columns)
    means = within.mean(axis=2)
    sums = np.zeros((futures, steps))
    beyond = np.zeros((futures, steps))
    for second in range(within.shape[2] - 1):
        sums += within[:, :, second, 0] - means[..., 0]
        np.maximum(beyond, sums, out=beyond)
    return LoadsAhead(means=means, beyond=beyond)


def _drawn_cycles(
    law: LoadLaw, cycles: LoadCycles, seconds: int, count: int, dice: np.random.Generator
) -> Floats:
    """Return the load of each second ahead, put together from whole cycles.

    Shape (count, seconds, columns).
    """
    starts = cycles.starts
    number = len(starts) - 1
    run_end = starts[np.minimum(np.searchsorted(starts, starts[:-1] + RUN_S), number)]
    run_s = run_end - starts[:-1]
    runs = -(-seconds // int(run_s.min()))
    rows = np.arange(count)[:, None]
    drawn = dice.integers(0, number, (count, runs))
    first = dice.choice(cycles.resumes, (count, 1))
    begin = np.concatenate([first, starts[drawn]], axis=1)
    left_s = starts[np.searchsorted(starts, first, "right")] - first
    lasts = np.concatenate([left_s, run_s[drawn]], axis=1)
    # Each second's place is the one behind that of the second before, but where a run begins.
    places = np.ones((count, seconds + 1), np.int64)
    at = np.minimum(np.cumsum(lasts[:, :-1], axis=1), seconds)
    places[rows, at] = begin[:, 1:] - (begin + lasts)[:, :-1] + 1
    places[:, 0] = first[:, 0]
    places = np.cumsum(places[:, :seconds], axis=1)
    load = np.empty((count, seconds, law.history.shape[1]))
    for column, values in enumerate(law.history.T):
        load[..., column] = values[places]
    load[..., 0] *= _cycle_factors(law.history[:, 0], starts, count, dice)[:, None]
    return load


def _cycle_factors(square: Floats, starts: Ints, count: int, dice: np.random.Generator) -> Floats:
    """Return by how much the mean of the cycles to come may differ from those seen, of each future.

    What some cycles tell of their mean is Student's law; their scatter is theirs and one more
    cycle's of `CYCLE_SCATTER`, so that of two which are the same something is left open.
    """
    number = len(starts) - 1
    means = np.add.reduceat(square[: starts[-1]], starts[:-1]) / np.diff(starts)
    off = np.log(np.maximum(means, LEAST_SIZE))
    squares = float(((off - off.mean()) ** 2).sum()) + CYCLE_SCATTER**2
    return np.asarray(np.exp(np.sqrt(squares) / number * dice.standard_t(number, count)))


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
    is_other = dice.random(count) < _chance_of_another(law, length)
    return np.where(is_other, horizon + 1.0, rest), level


def _chance_of_another(law: LoadLaw, length: Ints) -> float:
    """Return how likely it is that the present stretch is the first of another law, and goes on.

    Of n stretches none was: for the next one that leaves 1 in n + 2 (rule of succession). One of
    the same law grows as old with a chance of (k + 1) in n + 1, k the past ones that grew older,
    and beyond the longest with one that falls as an exponential of their mean does; beyond all past
    loads it falls as an exponential of their scatter does, in each of the first looks at it: a peak
    of a second or two tells little. Bayes' rule weighs the two: a bit older than the longest is
    even odds, twice so old is another law; so are ten seconds of a load far beyond all before.
    """
    past, age = length[:-1], int(length[-1])
    sizes = np.sqrt(np.add.reduceat(law.history[:, 0], law.starts) / length)
    before, now = sizes[:-1], float(sizes[-1])
    beyond = max(now - float(before.max()), float(before.min()) - now, 0.0)
    other = 1.0 / (len(past) + 2)
    as_old = (float((past > age).sum()) + 1.0) / (len(past) + 1)
    as_old *= float(np.exp(-max(age - int(past.max()), 0) / max(float(past.mean()), 1.0)))
    scatter = max(float(before.std()), LEAST_SCATTER * float(sizes.max()), LEAST_SIZE)
    as_far = float(np.exp(-beyond / scatter * min(age / LOOK_S, MOST_LOOKS)))
    return other / (other + (1.0 - other) * as_old * as_far)


def _at(sums: Floats, place: Floats) -> Floats:
    """Return running sums between whole seconds, straight in between."""
    whole = np.minimum(place.astype(np.int64), len(sums) - 2)
    share = (place - whole)[..., None]
    return np.asarray(sums[whole] + share * (sums[whole + 1] - sums[whole]))
