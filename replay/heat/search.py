"""The likeliest parameters of a heat fit: from several starts, since one may end in a second hill.

Housing alone under a cyclic load has two optima in one fit of twenty to seven. Pure.
"""
# ruff: noqa: N803, N806, N815 - units are written as units are

import itertools
import math
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import Parameter
from replay.heat.one_load import is_one_load
from replay.heat.problem import DRIFT_SIZE_K, HeatProblem
from replay.heat.scoring import Evaluation, maximise_likelihood
from replay.heat.trace import HeatTrace

__all__ = [
    "WIDER",
    "Mode",
    "coarse_step_s",
    "find_mode",
    "refit_parameters",
    "search_at",
    "search_step_s",
    "without_noise",
]

_LONGEST_STEP: Final = 1.0
"""Of a logarithm: no step changes a parameter by more than a factor of e."""
COARSE_STEP_S: Final = 30.0
"""Steps on which a search begins; wider ones in a recording of more than `COARSE_STEPS` such."""
ONE_LOAD_STEP_S: Final = 10.0
COARSE_STEPS: Final = 1000
WIDER: Final = 1.2
"""On every standard uncertainty: rooms that drift in other ways than the prior's, and loads that
are means of steps, made intervals of simulated joints hold 0.91 where 0.95 was said."""
SIZES_K: Final = (0.2, 0.35, 0.6, 1.0, 1.7, 2.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """Where the posterior is highest, and its shape there."""

    outer: Floats
    covariance: Floats
    """Of the outer parameters, starts and ambient integrated out."""
    unknowns: Floats
    size_K: float
    """Likeliest size of the ambient's drift."""
    log_size_sd: float
    log_marginal: float
    converged: bool


def find_mode(problem: HeatProblem, *, near: Floats | None = None) -> Mode:
    """Return the likeliest parameters and the shape of the posterior about them.

    Parameters
    ----------
    near
        Outer parameters to begin at, in place of the usual starts.
    """
    size_K = DRIFT_SIZE_K[0]
    if near is None:
        # Which hill is the highest is seen on wide steps; its top is then found on the fine ones.
        coarse = problem.coarser(search_step_s(problem.trace))
        found = [search_at(coarse, start, size_K)[0] for start in _starts(coarse)]
        best = max(found, key=lambda vector: _log_marginal(coarse, vector, size_K))
        near = best[: problem.outer_count]
    vector, _, _ = search_at(problem, near, size_K)
    # Together with starts and ambient the noise comes out too small, for these follow every flip of
    # a count; so it is chosen, as the drift's size is, with them integrated out.
    for _ in range(2):
        vector, size_K, log_size_sd = _integrated_scales(problem, vector, size_K)
        vector, _, converged = search_at(
            problem,
            vector[: problem.outer_count],
            size_K,
            vector[problem.outer_count :],
            noise_is_fixed=True,
        )
    # The size of the drift is not known either: its upper standard uncertainty makes the width.
    at = problem.evaluate(vector, size_K * math.exp(log_size_sd))
    covariance = np.linalg.inv(at.information)[: problem.outer_count, : problem.outer_count]
    inner = problem.integrate_unknowns(
        vector[: problem.outer_count], size_K, vector[problem.outer_count :]
    )
    return Mode(
        outer=vector[: problem.outer_count],
        covariance=WIDER**2 * (covariance + covariance.T) / 2.0,
        unknowns=inner.unknowns,
        size_K=size_K,
        log_size_sd=log_size_sd,
        log_marginal=inner.log_marginal,
        converged=converged,
    )


def _log_marginal(problem: HeatProblem, vector: Floats, size_K: float) -> float:
    """Return how likely a hill is, starts and ambient integrated out.

    By its height alone a narrow one, of a course of the room that has to be just so, is too likely.
    """
    outer, unknowns = np.split(vector, [problem.outer_count])
    return problem.integrate_unknowns(outer, size_K, unknowns).log_marginal


def coarse_step_s(trace: HeatTrace, least_s: float = COARSE_STEP_S) -> float:
    """Return the duration of wide steps: `least_s`, or more in a long recording."""
    return max(least_s, float(trace.steps.duration_s.sum()) / COARSE_STEPS)


def search_step_s(trace: HeatTrace) -> float:
    """Return the duration of steps that are wide enough for a first search.

    Of one load all the time its cycles tell of the winding, if anything does: means over wide steps
    hide them, and a winding that stores more than its housing becomes the likeliest.
    """
    return coarse_step_s(trace, ONE_LOAD_STEP_S if is_one_load(trace) else COARSE_STEP_S)


def refit_parameters(problem: HeatProblem, near: Mode) -> tuple[Floats, Floats]:
    """Return outer parameters and unknowns for other readings, noises and drift's size kept."""
    vector, _, _ = search_at(problem, near.outer, near.size_K, noise_is_fixed=True)
    return vector[: problem.outer_count], vector[problem.outer_count :]


def _starts(problem: HeatProblem) -> list[Floats]:
    """Return outer parameters to begin at: both time constants and the split of the rise vary."""
    names = problem.model.parameters
    times: dict[Parameter, tuple[float, ...]] = {Parameter.HOUSING_TIME: (500.0, 1500.0, 4000.0)}
    if problem.model.nodes == 2:
        times = {
            Parameter.HOUSING_TIME: (700.0, 2500.0),
            Parameter.WINDING_TIME: (30.0, 120.0),
        }
    out = []
    for values in itertools.product(*times.values()):
        start = problem.first_outer()
        for name, value in zip(times, values, strict=True):
            start[names.index(name)] = math.log(value)
        out.append(start)
    return out


def search_at(
    problem: HeatProblem,
    outer: Floats,
    size_K: float,
    unknowns: Floats | None = None,
    *,
    noise_is_fixed: bool = False,
    tolerance: float = 1e-3,
    most_steps: int = 60,
) -> tuple[Floats, float, bool]:
    """Search from a start at one size of the drift: vector, its log-posterior, whether it ended."""
    if unknowns is None:
        first = problem.first_unknowns()
        unknowns = problem.integrate_unknowns(outer, size_K, first).unknowns
    longest = np.full(len(outer) + len(unknowns), np.inf)
    longest[: len(outer)] = _LONGEST_STEP
    if noise_is_fixed:
        longest[problem.theta_count : len(outer)] = 0.0

    def evaluate(vector: Floats) -> Evaluation:
        found = problem.evaluate(vector, size_K)
        return without_noise(problem, found) if noise_is_fixed else found

    found = maximise_likelihood(
        partial(problem.log_likelihood, size_K=size_K),
        evaluate,
        np.concatenate([outer, unknowns]),
        tolerance=tolerance,
        most_steps=most_steps,
        longest_step=longest,
    )
    return found.parameters, found.at.log, found.converged


def without_noise(problem: HeatProblem, found: Evaluation) -> Evaluation:
    """Return an evaluation in which the noises of the sensors are known."""
    noise = slice(problem.theta_count, problem.outer_count)
    gradient, information = found.gradient.copy(), found.information.copy()
    gradient[noise] = 0.0
    information[noise] = 0.0
    information[:, noise] = 0.0
    information[noise, noise] = np.eye(problem.outer_count - problem.theta_count)
    return Evaluation(log=found.log, gradient=gradient, information=information)


def _integrated_scales(
    problem: HeatProblem, vector: Floats, size_K: float
) -> tuple[Floats, float, float]:
    """Return the vector with likelier noises, the likeliest size of the drift, and its spread."""
    outer, unknowns = vector[: problem.outer_count].copy(), vector[problem.outer_count :]

    def marginal(outer: Floats, size_K: float) -> float:
        nonlocal unknowns
        found = problem.integrate_unknowns(outer, size_K, unknowns)
        unknowns = found.unknowns
        return found.log_marginal

    for at in range(problem.theta_count, problem.outer_count):
        best = marginal(outer, size_K)
        for change in (0.6, -0.6, 0.3, -0.3, 0.15, -0.15):
            while True:
                tried = outer.copy()
                tried[at] += change
                value = marginal(tried, size_K)
                if not value > best:
                    break
                outer, best = tried, value
    logs = np.array([marginal(outer, size_K) for size_K in SIZES_K])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    steps = np.log(SIZES_K)
    mean = float(weights @ steps)
    sd = max(math.sqrt(float(weights @ (steps - mean) ** 2)), 0.2)
    return np.concatenate([outer, unknowns]), math.exp(mean), sd
