"""The parameters of a model as they are fitted: logarithms, so what is positive stays positive.

Pure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import LAG_PARAMETERS, HeatModel, Parameter, SpeedLoss
from logger.joint.thermal.thermal_load import Node
from replay.heat.trace import HeatTrace

__all__ = ["LoadScale", "StatedLags", "coordinate_prior", "physical_parameters"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadScale:
    """The mean load of a trace: what a rise is counted at while it is fitted."""

    square: float
    """Mean square of the current (or torque)."""
    speed: float
    """Mean of the speed as its loss counts it; 1 where it has none."""

    @classmethod
    def of(cls, model: HeatModel, trace: HeatTrace) -> "LoadScale":
        """Return the mean load of a trace."""
        weight = trace.steps.duration_s / trace.steps.duration_s.sum()
        speed = {
            SpeedLoss.NONE: 1.0,
            SpeedLoss.LINEAR: float(weight @ trace.steps.mean_speed_rad_s),
            SpeedLoss.SQUARE: float(weight @ trace.steps.mean_square_speed_rad2_s2),
        }[model.speed]
        return cls(
            square=max(float(weight @ trace.steps.mean_square_A2), 1e-12), speed=max(speed, 1e-9)
        )


def physical_parameters(
    model: HeatModel, theta: Floats, scale: LoadScale
) -> dict[Parameter, Floats]:
    """Return the parameters of fitted coordinates, shape (..., parameters), each of shape (...).

    What is fitted are logarithms of what a trace knows best, so that what it leaves open stays
    open without a bend: the housing's whole rise at the mean load, and standby and speed against
    the copper's part of it (of one steady load only the sum is known); the time constant of both
    heat capacities together (of a housing's course it is the slow one), the winding's capacity
    against the housing's, and the winding's own time constant.
    """
    index = {name: theta[..., at] for at, name in enumerate(model.parameters)}
    ratios = {
        name: np.exp(index[name])
        for name in (Parameter.STANDBY_RISE, Parameter.SPEED_RISE)
        if name in index
    }
    copper_part = np.exp(index[Parameter.HOUSING_RISE]) / (1.0 + sum(ratios.values()))
    rise, time = copper_part / scale.square, np.exp(index[Parameter.HOUSING_TIME])
    out = {Parameter.HOUSING_RISE: rise, Parameter.HOUSING_TIME: time}
    if model.nodes == 2:
        share = np.exp(index[Parameter.WINDING_RISE])
        inner_time = np.exp(index[Parameter.WINDING_TIME])
        capacity = time / rise * share / (1.0 + share)
        out[Parameter.HOUSING_TIME] = time / (1.0 + share)
        out[Parameter.WINDING_RISE] = inner_time / capacity
        out[Parameter.WINDING_TIME] = inner_time
    if Parameter.STANDBY_RISE in ratios:
        out[Parameter.STANDBY_RISE] = copper_part * ratios[Parameter.STANDBY_RISE]
    if Parameter.SPEED_RISE in ratios:
        out[Parameter.SPEED_RISE] = copper_part * ratios[Parameter.SPEED_RISE] / scale.speed
    for name in (Parameter.WINDING_LAG, Parameter.HOUSING_LAG):
        if name in index:
            out[name] = np.exp(index[name])
    return out


StatedLags = Mapping[Node, float]
"""Node -> time constant of its sensor in s, as it was typed."""
STATED_LAG_SD: Final = 0.1
"""Of the logarithm of a lag that was typed: right to 10 %, as other figures of a person are."""
_PRIOR: Final[Mapping[Parameter, tuple[float, float]]] = {
    Parameter.HOUSING_RISE: (15.0, 1.5),
    Parameter.HOUSING_TIME: (1500.0, 1.5),
    Parameter.WINDING_RISE: (0.12, 1.2),
    Parameter.WINDING_TIME: (60.0, 1.2),
    Parameter.STANDBY_RISE: (0.5, 2.0),
    Parameter.SPEED_RISE: (0.1, 2.0),
    Parameter.WINDING_LAG: (10.0, 1.2),
    Parameter.HOUSING_LAG: (20.0, 1.2),
}
"""Centre, and standard deviation of the logarithm, of the fitted coordinates: rises at the mean
load in K, time constants in s, shares in place of the winding's, standby's and speed's rise.
Joints from the size of a finger to that of a man."""


def coordinate_prior(model: HeatModel, stated_lags_s: StatedLags) -> tuple[Floats, Floats]:
    """Return centres and standard deviations of the fitted coordinates.

    They are wide, a factor of 10 to 50 either side at 95 %. Where a trace says nothing of a
    parameter the interval becomes that of the prior, far beyond what is called known.
    """
    prior = {
        **_PRIOR,
        **{LAG_PARAMETERS[node]: (lag_s, STATED_LAG_SD) for node, lag_s in stated_lags_s.items()},
    }
    both = [prior[name] for name in model.parameters]
    return np.array([math.log(centre) for centre, _ in both]), np.array([sd for _, sd in both])
