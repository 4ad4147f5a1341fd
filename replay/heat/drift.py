"""How the ambient may have drifted: a random course that returns to its mean, known at knots.

An Ornstein-Uhlenbeck process of 2 h: a room warms and cools by some tenths of a kelvin to a few
kelvin within hours. Residuals of a thermal fit are never independent, and this is why; without it
every interval is too narrow. Between knots the course is straight. Pure.
"""
# ruff: noqa: N803 - units are written as units are: K is a capital

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from replay.heat.trace import HeatTrace

__all__ = ["DRIFT_TIME_S", "DriftKnots", "drift_knots", "drift_precision"]

DRIFT_TIME_S: Final = 7200.0
"""Correlation time of the ambient."""
KNOT_DISTANCE_S: Final = 300.0
MOST_KNOTS: Final = 72


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftKnots:
    """Where the course of the ambient is known."""

    time_s: Floats
    """Shape (k,), strictly increasing."""
    at_steps: Floats
    """Share of each knot in each step of the load, shape (n, k)."""


def drift_knots(trace: HeatTrace) -> DriftKnots:
    """Return knots over the segments of a trace: every 5 min, wider apart in a long recording."""
    total_s = float(trace.steps.duration_s.sum())
    distance_s = max(KNOT_DISTANCE_S, total_s / MOST_KNOTS)
    middle_s = trace.begin_s + trace.steps.duration_s / 2.0
    times = []
    for number in range(trace.segments):
        rows = np.flatnonzero(trace.segment == number)
        begin, end = float(middle_s[rows[0]]), float(middle_s[rows[-1]])
        count = max(1, math.ceil((end - begin) / distance_s))
        times.append(np.linspace(begin, end, count + 1) if end > begin else np.array([begin]))
    time_s = np.concatenate(times)
    right = np.clip(np.searchsorted(time_s, middle_s, "left"), 1, max(len(time_s) - 1, 1))
    at_steps = np.zeros((len(middle_s), len(time_s)))
    rows = np.arange(len(middle_s))
    if len(time_s) == 1:
        at_steps[:, 0] = 1.0
    else:
        share = (middle_s - time_s[right - 1]) / (time_s[right] - time_s[right - 1])
        share = np.clip(share, 0.0, 1.0)
        at_steps[rows, right - 1] = 1.0 - share
        at_steps[rows, right] += share
    return DriftKnots(time_s=time_s, at_steps=at_steps)


def drift_precision(time_s: Floats, size_K: float) -> tuple[Floats, float]:
    """Return the inverse of the knots' covariance, shape (k, k), and its log-determinant.

    Parameters
    ----------
    size_K
        Standard deviation of the ambient about its mean.
    """
    apart = np.diff(time_s) / DRIFT_TIME_S
    # Of recordings years apart nothing is kept, not even a number above zero.
    keep = np.exp(-apart)
    variance = np.concatenate([[size_K**2], size_K**2 * -np.expm1(-2.0 * apart)])
    # x[0] and x[i+1] - keep[i] x[i] are independent: the precision is L' D^-1 L.
    differences = np.eye(len(time_s))
    differences[np.arange(1, len(time_s)), np.arange(len(time_s) - 1)] = -keep
    precision = differences.T @ (differences / variance[:, None])
    return precision, -float(np.log(variance).sum())
