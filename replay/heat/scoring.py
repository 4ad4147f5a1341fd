"""Fisher scoring: the highest log-likelihood by steps of gradient and information, damped.

The step solves (information + damping * diagonal) step = gradient, after Levenberg and Marquardt;
for a Gaussian likelihood it is their least squares. Pure.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.arrays import Floats

__all__ = ["Evaluation", "ScoringResult", "maximise_likelihood"]

_MAX_DAMPING = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """A log-likelihood at some parameters, shape (k,), with gradient (k,), information (k, k)."""

    log: float
    gradient: Floats
    information: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoringResult:
    """Where the search ended."""

    parameters: Floats
    at: Evaluation
    converged: bool


def maximise_likelihood(
    log_likelihood: Callable[[Floats], float],
    evaluate: Callable[[Floats], Evaluation],
    start: Floats,
    *,
    most_steps: int = 60,
    tolerance: float = 1e-4,
    damping: float = 1e-3,
    longest_step: float | Floats = np.inf,
) -> ScoringResult:
    """Search the maximum from a start.

    Parameters
    ----------
    log_likelihood
        The value alone, -inf or NaN where there is none: for trying a step.
    evaluate
        Value, gradient and information: once for each step that was taken.
    tolerance
        Ends once a full step promises less log-likelihood than this.
    longest_step
        By how much each parameter changes in one step at most.
    """
    here = evaluate(start)
    parameters = start
    for _ in range(most_steps):
        scale = np.maximum(np.diag(here.information), 1e-12 * np.diag(here.information).max())
        taken = None
        while damping < _MAX_DAMPING:
            try:
                step = np.linalg.solve(here.information + damping * np.diag(scale), here.gradient)
            except np.linalg.LinAlgError:
                damping *= 10.0
                continue
            promised = float(step @ here.gradient) / 2.0
            if promised < tolerance:
                return ScoringResult(parameters=parameters, at=here, converged=True)
            step = np.clip(step, -np.asarray(longest_step), np.asarray(longest_step))
            value = log_likelihood(parameters + step)
            if np.isfinite(value) and value > here.log:
                taken = parameters + step
                break
            damping *= 4.0
        if taken is None:
            break
        parameters, here = taken, evaluate(taken)
        damping = max(damping / 6.0, 1e-9)
    return ScoringResult(parameters=parameters, at=here, converged=False)
