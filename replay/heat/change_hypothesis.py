"""Changes of a joint at their best parameters, and how likely they are. Pure."""

import math
from dataclasses import dataclass

import numpy as np

from logger.arrays import Floats
from replay.heat.dated_change import DatedChange
from replay.heat.problem import HeatProblem
from replay.heat.search import SIZES_K

__all__ = ["Hypothesis", "by_log", "evidence"]


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """Changes at their best parameters."""

    changes: tuple[DatedChange, ...]
    outer: Floats
    unknowns: Floats
    log: float
    """Of its evidence."""


def by_log(one: Hypothesis) -> float:
    """Return what hypotheses are ordered by."""
    return one.log


def evidence(problem: HeatProblem, outer: Floats, unknowns: Floats) -> float:
    """Return the log-posterior with starts, ambient and the drift's size integrated out.

    Minus infinity where a search ran off so far that nothing is left to integrate.
    """
    try:
        logs = np.array(
            [problem.integrate_unknowns(outer, size_K, unknowns).log_marginal for size_K in SIZES_K]
        )
    except np.linalg.LinAlgError:
        return -math.inf
    log = float(logs.max() + np.log(np.exp(logs - logs.max()).mean()))
    return log if math.isfinite(log) else -math.inf
