"""Joints nearby that warm this one: what a fit leaves to the ambient follows their temperatures.

The ambient's drift d is known to the fit as a random course with precision P and, from the
readings, as a posterior with mean m and covariance S, all parameters unknown beside it. A neighbour
that shares its heat by a factor b moves the course's expectation to b v, v being the neighbour's
temperature about its mean. To second order about the mode the posterior of b is then Gaussian:

    precision  q = v' (P - P S P) v          mean  b = v' P m / q

(a score test with its own estimate: nothing is fitted anew). Pure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from replay.heat.drift import drift_precision
from replay.heat.problem import HeatProblem
from replay.heat.search import Mode

__all__ = ["Neighbour", "find_neighbours"]

LEAST_GAIN: Final = 6.0
"""Of the logarithm of the likelihood: 3.5 standard uncertainties, so that a dozen joints that have
nothing to do with this one are called in less than one recording in a hundred."""
_TIMES_SD: Final = 1.96
_LEAST_COURSE_K: Final = 0.5
"""Standard deviation of a temperature below which it can warm nothing that is seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """A joint whose temperature this one's surroundings follow."""

    joint: str
    K_per_K: tuple[float, float, float]
    """Warmer surroundings for each kelvin of the neighbour: value and 95 % interval."""
    gain: float
    """Of the logarithm of the likelihood."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        value, low, high = self.K_per_K
        return {"joint": self.joint, "K_per_K": value, "low": low, "high": high}


def find_neighbours(
    problem: HeatProblem, mode: Mode, courses: Mapping[str, Floats]
) -> tuple[Neighbour, ...]:
    """Return the joints that warm this one, the one with the most evidence first.

    Joints of one machine are warm together, so each is asked for beside those found before it: two
    that tell the same are not both named.

    Parameters
    ----------
    courses
        Temperature of each other joint at the knots of the drift in degC, shape (k,).
    """
    size_K = mode.size_K * math.exp(mode.log_size_sd)  # noqa: N806 - a unit
    precision, _ = drift_precision(problem.knots.time_s, size_K)
    at = problem.evaluate(np.concatenate([mode.outer, mode.unknowns]), size_K)
    first = problem.outer_count + problem.unknown_count - len(precision)
    covariance = np.linalg.inv(at.information)[first:, first:]
    pull = precision @ mode.unknowns[first - problem.outer_count :]
    shape = precision - precision @ covariance @ precision
    left = {
        name: course - course.mean()
        for name, course in courses.items()
        if float(course.std()) >= _LEAST_COURSE_K
    }
    found: list[Neighbour] = []
    # One node cannot be right about a joint of two: what it has wrong has the shape of the joint's
    # own temperature, and so has every joint that was switched on with it.
    taken = [] if problem.model.nodes == 2 else [_own_course(problem, mode)]
    while left:
        tried = [_share_of(name, left[name], taken, shape, pull) for name in left]
        best = max(tried, key=lambda one: one.gain)
        if best.gain < LEAST_GAIN or best.K_per_K[1] <= 0.0:
            break
        found.append(best)
        taken.append(left.pop(best.joint))
    return tuple(found)


def _own_course(problem: HeatProblem, mode: Mode) -> Floats:
    own = problem.node_temperatures(mode.outer, mode.unknowns)[problem.edges.begin, -1]
    course = np.interp(problem.knots.time_s, problem.trace.begin_s, own)
    return np.asarray(course - course.mean())


def _share_of(
    name: str, course: Floats, taken: list[Floats], shape: Floats, pull: Floats
) -> Neighbour:
    """Return a joint's share beside those that were found before it, theirs being free."""
    columns = np.column_stack([course, *taken])
    information = columns.T @ shape @ columns
    # Courses that tell the same leave no information of their own.
    inverse = np.linalg.pinv(information, rcond=1e-9, hermitian=True)
    variance = float(inverse[0, 0])
    value = float((inverse @ (columns.T @ pull))[0])
    if not variance > 0.0:
        return Neighbour(joint=name, K_per_K=(0.0, 0.0, 0.0), gain=0.0)
    reach = _TIMES_SD * math.sqrt(variance)
    return Neighbour(
        joint=name,
        K_per_K=(value, value - reach, value + reach),
        gain=0.5 * value**2 / variance if value > 0.0 else 0.0,
    )
