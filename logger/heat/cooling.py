"""By how much the cooling of a joint has become worse within a window, against its model. Pure.

The model is run through the window from where the observer had it at its begin, with the load that
was, and once more with a larger resistance to the ambient: what the readings lie off by is
regressed on what such a change would have made of them. Beside it stand what else may be off: the
start, and an ambient that drifted. A change of heat from the same load (friction, a wrong current)
looks much the same within minutes; `dutytrace heat` tells such causes apart afterwards.
"""
# ruff: noqa: N803 - units are written as units are: K is a capital

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.fitted import FittedHeat
from logger.heat.observer import COUNT_TOGETHER, NOISE_K, STEP_S, HeatStep
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, OneNode, temperatures_over

__all__ = ["CoolingChange", "CoolingStep", "estimate_cooling"]

_TRIED: Final = 0.2
"""Step of the logarithm by which the sensitivity is taken."""
START_K: Final = 0.7
AMBIENT_K: Final = 0.7
LOG_SPREAD: Final = 1.0


@dataclass(frozen=True, slots=True)
class CoolingStep:
    """One step of a window, and the estimate behind it."""

    step: HeatStep
    mean_degC: tuple[float, ...]  # noqa: N815 - the unit's own spelling
    """Temperatures of the likeliest joint's nodes and the ambient, after the step."""


@dataclass(frozen=True, slots=True)
class CoolingChange:
    """The resistance to the ambient within a window, against that of the model before it."""

    factor: float
    log_uncertainty: float
    """Standard uncertainty of its logarithm."""


def estimate_cooling(
    fitted: FittedHeat, window: Sequence[CoolingStep], channel: str, *, count_K: float
) -> CoolingChange | None:
    """Return how the cooling changed behind the first step of a window; None: not known.

    Parameters
    ----------
    window
        Steps that follow each other; the first gives where the joint began.
    channel
        The temperature that is looked at.
    count_K
        The step of its sensor.
    """
    node = fitted.node_of(channel)
    begin, later = window[0].mean_degC, window[1:]
    shown = np.array([one.step.readings.get(channel, math.nan) for one in later])
    read = ~np.isnan(shown)
    if node is None or read.sum() < 3:
        return None
    steps = LoadSteps(
        duration_s=np.full(len(later), float(STEP_S)),
        mean_square_A2=np.array([one.step.mean_square for one in later]),
        mean_speed_rad_s=np.array([one.step.mean_speed for one in later]),
        mean_square_speed_rad2_s2=np.array([one.step.mean_square_speed for one in later]),
    )

    def course(joint: JointHeat, start_K: float = 0.0, ambient_K: float = 0.0) -> Floats:
        start = np.array(begin[:-1]) + start_K
        edges = temperatures_over(
            joint, steps, start_degC=start, ambient_degC=begin[-1] + ambient_K
        )[:, node]
        middles: Floats = 0.5 * (edges[:-1] + edges[1:])
        return np.asarray(middles[read], np.float64)

    model = course(fitted.joint)
    by = np.stack(
        [
            (course(_worse(fitted.joint, math.exp(_TRIED))) - model) / _TRIED,
            (course(fitted.joint, start_K=1.0) - model) * START_K,
            (course(fitted.joint, ambient_K=1.0) - model) * AMBIENT_K,
        ],
        axis=1,
    )
    noise = NOISE_K**2 + count_K**2 / 12.0 * COUNT_TOGETHER
    prior = np.diag([1.0 / LOG_SPREAD**2, 1.0, 1.0])
    information = by.T @ by / noise + prior
    covariance = np.linalg.inv(information)
    found = covariance @ (by.T @ (shown[read] - model) / noise)
    return CoolingChange(math.exp(float(found[0])), math.sqrt(float(covariance[0, 0])))


def _worse(joint: JointHeat, factor: float) -> JointHeat:
    """Return a joint whose resistance to the ambient is so many times as large."""
    network = joint.network
    if isinstance(network, OneNode):
        changed: OneNode = replace(network, resistance_K_per_W=network.resistance_K_per_W * factor)
        return replace(joint, network=changed)
    return replace(
        joint,
        network=replace(network, housing_ambient_K_per_W=network.housing_ambient_K_per_W * factor),
    )
