"""The 95 % interval of anything positive that follows from the parameters of a fit. Pure.

Narrow ones by the curvature at the mode. Wherever that is wider than a factor of 1.5 the posterior
is profiled: the quantity is held at a value, all else is searched anew, and the interval ends where
the logarithm has fallen by 1.92 (half the 95 % quantile of chi-square with one degree of freedom),
both widened by `search.WIDER`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from logger.arrays import Floats
from replay.heat.problem import HeatProblem
from replay.heat.quantity import KNOWN_FACTOR, UNKNOWN_FACTOR, IntervalMethod
from replay.heat.scoring import Evaluation, maximise_likelihood
from replay.heat.search import WIDER, Mode, without_noise

__all__ = [
    "TIMES_SD",
    "Interval",
    "PositiveFunction",
    "TraceInformation",
    "idle_interval",
    "interval_of",
]

PositiveFunction = Callable[[Floats], float]
"""From the outer parameters to something greater than zero."""
Interval = tuple[float, float, float, IntervalMethod]
"""Standard deviation of the logarithm, lower and upper end, and how they were made."""
_FALL: Final = 1.92 * WIDER**2
_ROOT_FALL: Final = math.sqrt(_FALL)
_NEAR_FALL: Final = 3.2 * WIDER**2
"""A point that has fallen no further is near enough to interpolate to the end."""
_NEAR_SHARE: Final = 0.95
"""The same of one before the end: of the root of the fall."""
_MOST_POINTS: Final = 9
_POINT_STEPS: Final = 40
TIMES_SD: Final = 1.96
_MOST_FACTOR: Final = 3.0 * UNKNOWN_FACTOR
"""Either side of the value: beyond, the end does not matter any more."""
_FIRST_REACH: Final = math.log(UNKNOWN_FACTOR) / 2.0
_STEP: Final = 1e-4
_OPEN_SD: Final = 30.0
"""Of a logarithm of which nothing is known."""
_MOST_LOG: Final = 50.0


def interval_of(problem: HeatProblem, mode: Mode, function: PositiveFunction) -> Interval:
    """Return the interval of a quantity."""
    gradient = _log_gradient(function, mode.outer, problem.theta_count)
    sd = math.sqrt(max(float(gradient @ mode.covariance @ gradient), 1e-18))
    middle = math.log(function(mode.outer))
    if 2.0 * TIMES_SD * sd <= math.log(KNOWN_FACTOR):
        reach = TIMES_SD * sd
        return sd, math.exp(middle - reach), math.exp(middle + reach), IntervalMethod.CURVATURE
    profile = _Profile(problem, mode, function, gradient, sd)
    low, high = (math.exp(profile.end(sign)) for sign in (-1.0, 1.0))
    return sd, low, high, IntervalMethod.PROFILE


def idle_interval(problem: HeatProblem, mode: Mode) -> tuple[float, float, float]:
    """Return the mean temperature without load in degC, and its 95 % interval."""
    at = problem.evaluate(
        np.concatenate([mode.outer, mode.unknowns]), mode.size_K * math.exp(mode.log_size_sd)
    )
    weights = np.zeros(len(at.gradient))
    mean = problem.outer_count + problem.start_count
    weights[mean] = 1.0
    weights[mean + 1 :] = problem.knots.at_steps.mean(axis=0)
    sd = WIDER * math.sqrt(float(weights @ np.linalg.solve(at.information, weights)))
    value = float(weights[problem.outer_count :] @ mode.unknowns)
    return value, value - TIMES_SD * sd, value + TIMES_SD * sd


class TraceInformation:
    """What the trace itself tells at the likeliest parameters: priors of the joint left out.

    A prior that is wide still closes an interval that the trace leaves open. So a quantity is known
    only where this bound (Cramer-Rao, the room's drift, its mean and all starts unknown) says so.
    """

    def __init__(self, problem: HeatProblem, mode: Mode) -> None:
        count = problem.theta_count
        vector = np.concatenate([mode.outer, mode.unknowns])
        found = without_noise(problem, problem.evaluate(vector, mode.size_K))
        information, at = found.information.copy(), np.arange(count)
        # What a person stated is no prior of the joint: it stays.
        open_at = at[~problem.is_stated]
        information[open_at, open_at] += _OPEN_SD**-2.0 - problem.prior_sd[open_at] ** -2.0
        self._count = count
        self._outer = mode.outer
        self._covariance = np.linalg.inv(information)[:count, :count]

    def factor(self, function: PositiveFunction) -> float:
        """Return the upper end of the narrowest 95 % interval of a quantity against the lower."""
        gradient = _log_gradient(function, self._outer, self._count)[: self._count]
        sd = math.sqrt(max(float(gradient @ self._covariance @ gradient), 0.0))
        return math.exp(min(2.0 * TIMES_SD * sd, _MOST_LOG))


def _log_gradient(function: PositiveFunction, outer: Floats, count: int) -> Floats:
    """Return how a quantity's logarithm hangs on the first `count` outer parameters."""
    gradient = np.zeros(len(outer))
    for index in range(count):
        step = np.zeros(len(outer))
        step[index] = _STEP
        high, low = function(outer + step), function(outer - step)
        gradient[index] = (math.log(high) - math.log(low)) / (2.0 * _STEP)
    return gradient


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """One point of a profile."""

    at: float
    """How far from the middle, of the quantity's logarithm."""
    fall: float
    """How much lower the posterior is there than at its top."""
    vector: Floats
    is_found: bool
    """Whether the search of all else ended at its top, so that the fall is no less than that."""


def _root(point: _Point) -> float:
    """Return the square root of the fall, which is nearly straight in the logarithm."""
    return math.sqrt(max(point.fall, 0.0))


def _extrapolated(inner: _Point) -> float:
    """Return where the end may lie, or a little beyond, by a point before it."""
    slope = max(_root(inner), 0.3) / inner.at if inner.at > 0.0 else 1.0
    return inner.at + 1.1 * (_ROOT_FALL - _root(inner)) / slope


class _Profile:
    """The highest log-posterior for each value of one quantity, unknown drift included."""

    def __init__(
        self,
        problem: HeatProblem,
        mode: Mode,
        function: PositiveFunction,
        gradient: Floats,
        sd: float,
    ) -> None:
        self._problem, self._function = problem, function
        self._size_K = mode.size_K * math.exp(mode.log_size_sd)
        self._vector = np.concatenate([mode.outer, mode.unknowns])
        self._sd = sd
        # The mode at the upper size of the drift, which is what the widths are made at.
        found = maximise_likelihood(
            partial(problem.log_likelihood, size_K=self._size_K),
            lambda vector: without_noise(problem, problem.evaluate(vector, self._size_K)),
            self._vector,
            tolerance=1e-3,
            longest_step=self._longest(),
        )
        self._vector, self._top = found.parameters, found.at.log
        self._middle = math.log(function(self._vector[: problem.outer_count]))
        # Starts and ambient go along with the parameters: left behind, every reading misses, and
        # the search from there ends on the way.
        whole = np.concatenate([gradient, np.zeros(problem.unknown_count)])
        along = np.linalg.solve(found.at.information, whole)
        self._along = along / float(whole @ along)

    def end(self, sign: float) -> float:
        """Return the logarithm at which the profile has fallen, below (-1) or above (1)."""
        limit = math.log(_MOST_FACTOR)
        inner = _Point(at=0.0, fall=0.0, vector=self._vector, is_found=True)
        reach = min(self._sd, _FIRST_REACH)
        outer = None
        for _ in range(_MOST_POINTS):
            point = self._point(sign, inner, reach)
            if point.fall < _FALL:
                if point.at >= limit:
                    return self._middle + sign * limit
                inner = point
            elif point.is_found:
                outer = point
            else:
                # A search that ended on the way: the posterior is not that low there.
                reach = (inner.at + reach) / 2.0
                continue
            root = _root(inner)
            if outer is None:
                reach = min(_extrapolated(inner), 3.0 * reach + 0.05, limit)
            else:
                share = (_ROOT_FALL - root) / max(_root(outer) - root, 1e-9)
                reach = inner.at + share * (outer.at - inner.at)
            if root > _NEAR_SHARE * _ROOT_FALL or (outer and outer.fall < _NEAR_FALL):
                break
        else:
            # Not come near: too far out rather than too near.
            reach = min(_extrapolated(inner) if outer is None else outer.at, limit)
        return self._middle + sign * reach

    def _point(self, sign: float, inner: "_Point", reach: float) -> "_Point":
        """Return the profile about `reach` away.

        The quantity is drawn there by a spring: what is found lies on the profile, if not quite
        at the distance that was meant.
        """
        offset, move = sign * reach, sign * (reach - inner.at)
        problem, target = self._problem, self._middle + offset
        width = min(self._sd, 0.5) / 10.0
        start = inner.vector + self._along * move

        def miss(vector: Floats) -> float:
            return (math.log(self._function(vector[: problem.outer_count])) - target) / width

        def log(vector: Floats) -> float:
            return problem.log_likelihood(vector, self._size_K) - 0.5 * miss(vector) ** 2

        def evaluate(vector: Floats) -> Evaluation:
            found = without_noise(problem, problem.evaluate(vector, self._size_K))
            off, slope = miss(vector), np.zeros(len(vector))
            for index in range(problem.theta_count):
                step = np.zeros(len(vector))
                step[index] = _STEP
                slope[index] = (miss(vector + step) - miss(vector - step)) / (2.0 * _STEP)
            return Evaluation(
                log=found.log - 0.5 * off**2,
                gradient=found.gradient - off * slope,
                information=found.information + np.outer(slope, slope),
            )

        found = maximise_likelihood(
            log,
            evaluate,
            start,
            most_steps=_POINT_STEPS,
            tolerance=0.02,
            longest_step=self._longest(),
        )
        fall = self._top - problem.log_likelihood(found.parameters, self._size_K)
        reached = math.log(self._function(found.parameters[: problem.outer_count])) - self._middle
        return _Point(at=abs(reached), fall=fall, vector=found.parameters, is_found=found.converged)

    def _longest(self) -> Floats:
        longest = np.full(len(self._vector), np.inf)
        longest[: self._problem.theta_count] = 1.0
        longest[self._problem.theta_count : self._problem.outer_count] = 0.0
        return longest
