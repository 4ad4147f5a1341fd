"""What a temperature sensor shows that follows its node with a time constant of its own.

    tau ds/dt = T - s          s: what it shows; T: its node, as in `thermal_load`

A thermistor potted away from the copper, a probe on the housing. Sensors are states behind the
nodes, so that a step of all of them is exact, whatever its duration. Their copper and their cooling
do not hang on them: what a joint bears is a matter of its nodes. Pure; temperatures in degC.
"""
# ruff: noqa: N803 - units are written as units are

from collections.abc import Mapping
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats
from logger.joint.thermal.thermal_load import (
    JointHeat,
    LoadSteps,
    StepResponse,
    load_system,
    matrix_product,
    step_response,
    temperatures_by,
)
from logger.joint.thermal.thermal_model import integrated_exponential

__all__ = ["lagged_response", "sensed_temperatures"]


def lagged_response(
    joint: JointHeat, steps: LoadSteps, lags_s: Mapping[int, float | Floats]
) -> StepResponse:
    """Return the exact step of each load for the nodes and, behind them, the sensors that lag.

    Parameters
    ----------
    lags_s
        Index of a node -> time constant of its sensor in s, greater than 0: one value, or one for
        each step. The sensors' states are in the order of the nodes; empty: none lags.
    """
    nodes = step_response(joint, steps)
    if not lags_s:
        return nodes
    count, states = joint.nodes, joint.nodes + len(lags_s)
    system, time_s = load_system(joint, steps), steps.duration_s
    free = np.zeros((len(time_s), states, states))
    free[:, :count, :count] = nodes.free
    forced, per_ambient = [nodes.forced], [nodes.per_ambient]
    for state, node in enumerate(sorted(lags_s), start=count):
        rate = 1.0 / np.asarray(lags_s[node], np.float64)
        follows = system.applied(partial(_twofold, second=-rate, time_s=time_s))[node]
        pushed = system.applied(partial(_threefold, second=-rate, time_s=time_s))[node]
        pushed = tuple(rate * one for one in pushed)
        free[:, state, :count] = np.stack([rate * one for one in follows], 1)
        free[:, state, state] = np.exp(-rate * time_s)
        forced.append(matrix_product((pushed,), system.rates))
        per_ambient.append(matrix_product((pushed,), system.cooling))
    return StepResponse(free=free, forced=np.hstack(forced), per_ambient=np.hstack(per_ambient))


def _twofold(first: Floats, second: Floats, time_s: Floats) -> Floats:
    """Return the divided difference of exp(s t) at two poles: t exp(s t) where they are one."""
    upper, lower = np.maximum(first, second), np.minimum(first, second)
    return np.asarray(np.exp(upper * time_s) * integrated_exponential(lower - upper, time_s))


def _threefold(pole: Floats, second: Floats, time_s: Floats) -> Floats:
    """Return the divided difference of exp(s t) at a pole, 0 and a second pole below 0.

    Divided by the larger of two distances, so that no two poles that are nearly one spoil it.
    """
    own, zero = np.asarray(pole), np.zeros_like(pole)
    at_zero = _twofold(zero, second, time_s)
    by_second = (_twofold(own, zero, time_s) - at_zero) / np.where(own == second, 1.0, own - second)
    by_zero = (_twofold(own, second, time_s) - at_zero) / np.where(own == 0.0, 1.0, own)
    return np.asarray(np.where(np.abs(own - second) > np.abs(own), by_second, by_zero))


def sensed_temperatures(
    joint: JointHeat,
    steps: LoadSteps,
    *,
    start_degC: ArrayLike,
    ambient_degC: ArrayLike,
    lags_s: Mapping[int, float],
) -> Floats:
    """Return nodes, and behind them what lagging sensors show, at the ends of all steps.

    Parameters
    ----------
    start_degC
        Of the nodes; sensors begin at what their node is at.

    Returns
    -------
    numpy.ndarray
        Shape (n + 1, nodes + sensors).
    """
    start = np.broadcast_to(np.asarray(start_degC, np.float64), (joint.nodes,))
    begin = np.concatenate([start, start[sorted(lags_s)]])
    return temperatures_by(
        lagged_response(joint, steps, lags_s), start_degC=begin, ambient_degC=ambient_degC
    )
