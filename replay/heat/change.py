"""What changed on the way, when, and by how much: cooling, heat or ambient. Pure.

One change after the other is sought, as long as the next makes the readings much likelier. Where
one may lie is scanned by the score of the likelihood (Rao's test: the gain that a first step
promises), then the best dates are fitted in full for each cause; with every further change the
causes of those before are tried again, and of several at last all alike. What is compared is the
posterior of each with starts, ambient and the drift's size integrated out, so that what a drifting
room explains as well counts for nothing. What reverses within minutes is no change of the joint but
a load that the model does not know well enough, and is not looked for.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from replay.heat.change_hypothesis import Hypothesis, by_log, evidence
from replay.heat.dated_change import ChangeCause, DatedChange
from replay.heat.found_change import FoundChange
from replay.heat.problem import DRIFT_SIZE_K, HeatProblem
from replay.heat.search import coarse_step_s, find_mode, search_at

__all__ = ["find_changes"]

LEAST_GAIN: Final = 80.0
"""Twice the gain of logarithm below which nothing is called a change: quiet trials stay below."""
SIZE_SD: Final = 0.04
STEP_SD_K: Final = 0.5
"""Added to the standard uncertainty of a size: nine simulated changes were off by up to 7 % where
the curvature alone said 1 %, for the drift takes its share."""
DATES: Final = 32
FITTED_DATES: Final = 2
TOLERANCE: Final = 0.1
DATE_SHARE: Final = 0.25
"""Of a step: dates are told as near as this."""
MOST_STEPS: Final = 15
"""Gains of tens are compared, so a search ends once it promises a tenth."""
BLUR_K: Final = 2.0
"""Noise of every sensor with which a first change is searched from the prior's middle as well."""
FINER_K: Final = 0.5
BLUR_STRIDE: Final = 2
"""Of the dates: so many apart are fitted so."""
EDGE_SHARE: Final = 0.04
"""Of the trace at either end, where no change is sought."""
MOST_CHANGES: Final = 4
APART_S: Final = 300.0
"""Between two changes."""
_FALL: Final = 3.84
"""95 % quantile of chi-square with one degree of freedom."""


def find_changes(problem: HeatProblem) -> tuple[FoundChange, ...]:
    """Return what changed on the way, in order of time; empty where nothing is likely.

    Always with two nodes: what a single one does not follow, the winding's part behind each step
    of the load, would be taken for changes of the joint.
    """
    two = problem.with_model(replace(problem.model, nodes=2))
    coarse = two.coarser(coarse_step_s(two.trace))
    # A trial may run off; it is then unlikely, and no matter for a warning.
    with np.errstate(over="ignore", invalid="ignore"):
        return _Search(coarse).find(find_mode(coarse).outer)


class _Search:
    """The search on one problem, on wide steps."""

    def __init__(self, problem: HeatProblem) -> None:
        self._problem = problem
        self._step_s = float(np.median(problem.trace.steps.duration_s))
        self._least_s = DATE_SHARE * self._step_s
        begin_s = problem.trace.begin_s
        self._end_s = float(begin_s[-1])
        edge_s = EDGE_SHARE * self._end_s
        inside = begin_s[(begin_s > edge_s) & (begin_s < self._end_s - edge_s)]
        self._dates = inside[:: max(len(inside) // DATES, 1)]
        self._stride_s = float(np.diff(self._dates[:2]).sum())

    def find(self, outer: Floats) -> tuple[FoundChange, ...]:
        if len(self._dates) < 3:
            return ()
        here = unchanged = self._fit((), outer, None)
        while len(here.changes) < MOST_CHANGES:
            more = self._add(here)
            if not here.changes:
                more = self._with_own_noise(max([more, *self._from_blurred(outer)], key=by_log))
                # The hill that it is on may be higher without a change as well.
                here = unchanged = max(here, self._without(more, 0), key=by_log)
            if 2.0 * (more.log - here.log) < LEAST_GAIN:
                break
            here = self._retry_causes(more) if here.changes else more
        here, *others = self._settled_together(self._drop_weak(here), outer)
        found = (self._found(here, at, unchanged, others) for at in range(len(here.changes)))
        return tuple(one for one in found if one.is_large)

    def _from_blurred(self, outer: Floats) -> Iterator[Hypothesis]:
        """Yield one change of each cause, searched where readings are taken to be blurred.

        A fit to all of a trace, without the change that there was, may lie on a far hill (all heat
        that of the drive, a winding larger than its housing), from which no search finds back; and
        with the sensors' own noise it finds nothing from elsewhere either, for every step off the
        ridge costs too much. With a larger one there is one hill, whatever it begins at.
        """
        best = max(self._blurred_changes, key=by_log)
        stride_s = BLUR_STRIDE * self._stride_s
        for cause in ChangeCause:
            own = best if cause is ChangeCause.COOLING else self._with_cause(best, 0, cause)
            own = self._refine(own, 0, stride_s)
            yield self._refine(self._as_noisy(own, outer), 0, stride_s)

    @cached_property
    def _blurred_changes(self) -> list[Hypothesis]:
        """One change at each of some dates, from the prior's middle and in blurred readings.

        Worse cooling, for any cause shows where the hill is.
        """
        outer = self._with_noise(self._problem.first_outer(), BLUR_K)
        start = Hypothesis((), outer, self._problem.first_unknowns(), -math.inf)
        dates = self._dates[::BLUR_STRIDE]
        return [self._with(start, self._change(ChangeCause.COOLING, at)) for at in dates]

    def _with_noise(self, outer: Floats, noise_K: float) -> Floats:  # noqa: N803
        """Return outer parameters with that noise of every sensor."""
        sensors = len(self._problem.sensors)
        return np.concatenate([outer[:-sensors], np.full(sensors, math.log(noise_K))])

    def _with_own_noise(self, here: Hypothesis) -> Hypothesis:
        """Return the same with the sensors' noises as they are with its changes."""
        try:
            mode = find_mode(self._problem.with_changes(here.changes), near=here.outer)
        except np.linalg.LinAlgError:
            return here  # So far off that no shape is left about it: others are likelier.
        return self._fit(here.changes, mode.outer, mode.unknowns)

    def _add(self, here: Hypothesis) -> Hypothesis:
        """Return a hypothesis with one change more, of the likeliest cause and at its best date."""
        best, at = max((self._added(here, cause) for cause in ChangeCause), key=_of_added)
        return self._refine(best, at, self._stride_s)

    def _added(self, here: Hypothesis, cause: ChangeCause) -> tuple[Hypothesis, int]:
        """Return a hypothesis with one change more, at the best of some dates, and its place."""
        taken = np.array([one.at_s for one in here.changes] or [-np.inf])
        dates = self._dates[np.abs(self._dates[:, None] - taken).min(axis=1) > APART_S]
        if not len(dates):
            return here, 0
        scores = np.array([self._score(here, self._change(cause, at)) for at in dates])
        fitted = [
            self._with(here, self._change(cause, float(dates[at])))
            for at in _tops(scores)[:FITTED_DATES]
        ]
        best = max(fitted, key=by_log)
        new = next(one for one in best.changes if one not in here.changes)
        return best, best.changes.index(new)

    def _refine(self, here: Hypothesis, at: int, stride_s: float) -> Hypothesis:
        """Return the same with the date of one change moved to where it is likeliest."""
        while stride_s > self._least_s:
            stride_s /= 2.0
            for side_s in (-stride_s, stride_s):
                tried = self._moved(here, at, here.changes[at].at_s + side_s)
                if tried is not None and tried.log > here.log:
                    here = tried
                    break
        return here

    def _retry_causes(self, here: Hypothesis) -> Hypothesis:
        """Return the same with other causes where these are likelier now."""
        for at in range(len(here.changes)):
            for cause in ChangeCause:
                if cause is not here.changes[at].cause:
                    tried = self._refine(self._with_cause(here, at, cause), at, 4 * self._step_s)
                    here = tried if tried.log > here.log else here
        return here

    def _drop_weak(self, here: Hypothesis) -> Hypothesis:
        """Return the same without changes that the later ones made needless."""
        while here.changes:
            fewer = max((self._without(here, at) for at in range(len(here.changes))), key=by_log)
            if 2.0 * (here.log - fewer.log) >= LEAST_GAIN:
                break
            here = fewer
        return here

    def _settled_together(self, here: Hypothesis, outer: Floats) -> list[Hypothesis]:
        """Return the changes with the causes and dates that are likely together, best first.

        Several were each found beside fewer, with the noise that readings then needed: far too
        large a one, in which a wrong cause and half the size of a right one are lost. And what is
        put right is one cause twice, which a search that adds or turns one after the other does not
        meet: a change alone explains little of it, and best at a wrong date.
        """
        starts = [here] if len(here.changes) > 1 else []
        for one in (here, self._blurred_pair(outer)):
            if one is not None and len(one.changes) > 1:
                alike = (self._with_all(one, cause) for cause in ChangeCause)
                starts += [other for other in alike if other is not here]
        settled = sorted(map(self._settled, starts), key=by_log, reverse=True)
        if len(here.changes) > 1 or not settled:
            return settled or [here]
        more = 2.0 * (settled[0].log - here.log)
        is_likelier = more >= LEAST_GAIN * (len(settled[0].changes) - len(here.changes))
        return settled if is_likelier else [here]

    def _blurred_pair(self, outer: Floats) -> Hypothesis | None:
        """Return a change and another of its cause, searched as `_from_blurred` does.

        None where two have no place.
        """
        stride_s = BLUR_STRIDE * self._stride_s
        pairs = (self._added(one, ChangeCause.COOLING)[0] for one in self._blurred_changes)
        best = max((one for one in pairs if len(one.changes) > 1), key=by_log, default=None)
        if best is None:
            return None
        # By steps, as metals are annealed: what rough readings left open is seen in finer ones.
        for noise_K in (BLUR_K, FINER_K):  # noqa: N806 - units are written as units are
            blurred = self._with_noise(best.outer, noise_K)
            best = self._redated(self._fit(best.changes, blurred, best.unknowns), stride_s)
        return self._as_noisy(best, outer)

    def _redated(self, here: Hypothesis, stride_s: float) -> Hypothesis:
        for at in range(len(here.changes)):
            here = self._refine(here, at, stride_s)
        return here

    def _as_noisy(self, blurred: Hypothesis, outer: Floats) -> Hypothesis:
        """Return changes found in blurred readings with the noises of other parameters."""
        sensors = len(self._problem.sensors)
        fine = np.concatenate([blurred.outer[:-sensors], outer[-sensors:]])
        return self._fit(blurred.changes, fine, blurred.unknowns)

    def _with_all(self, here: Hypothesis, cause: ChangeCause) -> Hypothesis:
        for at, change in enumerate(here.changes):
            here = here if change.cause is cause else self._with_cause(here, at, cause)
        return here

    def _settled(self, here: Hypothesis) -> Hypothesis:
        """Return the same at its best dates, with the noises that it needs before and after."""
        here = self._redated(self._with_own_noise(here), 4 * self._step_s)
        return self._with_own_noise(here)

    def _found(
        self, here: Hypothesis, at: int, unchanged: Hypothesis, others: Sequence[Hypothesis]
    ) -> FoundChange:
        # Each with the noises that it needs: with those of another it would look too unlikely.
        without = max(self._with_own_noise(self._without(here, at)), unchanged, key=by_log)
        own = here.changes[at].cause
        tried = [
            self._with_own_noise(
                self._refine(self._with_cause(here, at, cause), at, 4 * self._step_s)
            )
            for cause in ChangeCause
            if cause is not own
        ]
        likeliest: dict[ChangeCause, Hypothesis] = {}
        alike = (one for one in others if len(one.changes) == len(here.changes))
        for one in sorted((here, *alike, *tried), key=by_log, reverse=True):
            likeliest.setdefault(one.changes[at].cause, one)
        best, *rivals = likeliest.values()
        return FoundChange(
            cause=best.changes[at].cause,
            at_s=self._date_interval(best, at),
            size=self._size_interval(best, at),
            gain=2.0 * (best.log - without.log),
            rivals=tuple((one.changes[at].cause, 2.0 * (one.log - without.log)) for one in rivals),
        )

    # One change more, less, other or moved: each keeps what the others were fitted to.

    def _change(self, cause: ChangeCause, at_s: float) -> DatedChange:
        return DatedChange(
            cause=cause, at_s=float(at_s), carries_standby=not self._problem.model.standby
        )

    def _with(self, here: Hypothesis, new: DatedChange) -> Hypothesis:
        changes = tuple(sorted((*here.changes, new), key=lambda one: one.at_s))
        return self._fit(changes, self._outer_with(here, new), here.unknowns)

    def _outer_with(self, here: Hypothesis, new: DatedChange) -> Floats:
        before = [one for one in here.changes if one.at_s <= new.at_s]
        first = len(self._problem.model.parameters) + sum(one.sizes for one in before)
        return np.insert(here.outer, first, np.zeros(new.sizes))

    def _slice(self, changes: Sequence[DatedChange], at: int) -> slice:
        first = len(self._problem.model.parameters) + sum(one.sizes for one in changes[:at])
        return slice(first, first + changes[at].sizes)

    def _without(self, here: Hypothesis, at: int) -> Hypothesis:
        outer = np.delete(here.outer, self._slice(here.changes, at))
        return self._fit(here.changes[:at] + here.changes[at + 1 :], outer, here.unknowns)

    def _with_cause(self, here: Hypothesis, at: int, cause: ChangeCause) -> Hypothesis:
        own = self._slice(here.changes, at)
        new = self._change(cause, here.changes[at].at_s)
        outer = np.concatenate(
            [here.outer[: own.start], np.zeros(new.sizes), here.outer[own.stop :]]
        )
        return self._fit((*here.changes[:at], new, *here.changes[at + 1 :]), outer, here.unknowns)

    def _moved(self, here: Hypothesis, at: int, at_s: float) -> Hypothesis | None:
        """Return the same with one date moved; None where it would pass another or an end."""
        before = here.changes[at - 1].at_s if at else 0.0
        after = here.changes[at + 1].at_s if at + 1 < len(here.changes) else self._end_s
        apart_s = APART_S if len(here.changes) > 1 else self._least_s
        if not before + apart_s * bool(at) < at_s < after - apart_s * (at + 1 < len(here.changes)):
            return None
        moved = replace(here.changes[at], at_s=at_s)
        changes = (*here.changes[:at], moved, *here.changes[at + 1 :])
        return self._fit(changes, here.outer, here.unknowns)

    def _fit(
        self, changes: tuple[DatedChange, ...], outer: Floats, unknowns: Floats | None
    ) -> Hypothesis:
        problem = self._problem.with_changes(changes)
        found, _, _ = search_at(
            problem,
            outer,
            DRIFT_SIZE_K[0],
            unknowns,
            noise_is_fixed=True,
            tolerance=TOLERANCE,
            most_steps=MOST_STEPS,
        )
        best, inner = found[: problem.outer_count], found[problem.outer_count :]
        return Hypothesis(changes, best, inner, evidence(problem, best, inner))

    def _score(self, here: Hypothesis, new: DatedChange) -> float:
        """Return twice the gain that the first step of a change promises, all else let free."""
        changes = tuple(sorted((*here.changes, new), key=lambda one: one.at_s))
        problem = self._problem.with_changes(changes)
        vector = np.concatenate([self._outer_with(here, new), here.unknowns])
        found = problem.evaluate(vector, DRIFT_SIZE_K[0])
        kept = _without_noise(problem, len(vector))
        own = self._slice(changes, changes.index(new))
        rows = np.flatnonzero((kept >= own.start) & (kept < own.stop))
        covariance = np.linalg.inv(found.information[np.ix_(kept, kept)])
        step = covariance @ found.gradient[kept]
        part = covariance[np.ix_(rows, rows)]
        return float(step[rows] @ np.linalg.solve(part, step[rows]))

    def _date_interval(self, here: Hypothesis, at: int) -> tuple[float, float, float]:
        """Return the date, and the dates either side at which its likelihood has fallen."""
        middle_s, ends = here.changes[at].at_s, []
        for sign in (-1.0, 1.0):
            reach_s, near = 0.5 * self._step_s, here
            while (tried := self._moved(near, at, middle_s + sign * reach_s)) is not None:
                if 2.0 * (here.log - tried.log) > _FALL:
                    break
                near, reach_s = tried, reach_s * 1.5
            ends.append(min(max(middle_s + sign * reach_s, 0.0), self._end_s))
        return middle_s, ends[0], ends[1]

    def _size_interval(self, here: Hypothesis, at: int) -> tuple[float, float, float]:
        """Return the size of a change and its 95 % interval, by the curvature at its best."""
        # Searched to its end, and the drift's size as uncertain as it is: a factor lies on a ridge
        # of other time constants and rooms that explain nearly as much.
        problem, first = (
            self._problem.with_changes(here.changes),
            self._slice(here.changes, at).start,
        )
        try:
            mode = find_mode(problem, near=here.outer)
            middle, variance = float(mode.outer[first]), float(mode.covariance[first, first])
        except np.linalg.LinAlgError:
            # No shape is left about it, so nothing is known but what was before.
            middle, variance = float(here.outer[first]), float(problem.prior_sd[first]) ** 2
        is_step = here.changes[at].cause is ChangeCause.AMBIENT
        least = STEP_SD_K if is_step else SIZE_SD
        reach = 1.96 * math.hypot(math.sqrt(max(variance, 0.0)), least)
        value, low, high = middle, middle - reach, middle + reach
        if is_step:
            return value, low, high
        return math.exp(value), math.exp(low), math.exp(high)


def _of_added(one: tuple[Hypothesis, int]) -> float:
    return by_log(one[0])


def _tops(scores: Floats) -> list[int]:
    """Return the places of local maxima, the highest first."""
    padded = np.concatenate([[-np.inf], scores, [-np.inf]])
    is_top = (padded[1:-1] >= padded[:-2]) & (padded[1:-1] >= padded[2:])
    places = np.flatnonzero(is_top)
    return [int(at) for at in places[np.argsort(-scores[places])]]


def _without_noise(problem: HeatProblem, count: int) -> Ints:
    """Return the places of a vector's parameters but for the sensors' noise, which is known."""
    return np.setdiff1d(np.arange(count), np.arange(problem.theta_count, problem.outer_count))
