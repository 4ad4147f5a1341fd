"""A joint under load: how warm its nodes get while current, standby loss and speed warm them.

    one node    C dT/dt = P + Q - (T - Ta)/R
    two nodes   C1 dT1/dt = P - (T1 - T2)/R1;  C2 dT2/dt = (T1 - T2)/R1 + Q - (T2 - Ta)/R2
    P = I^2 R0 (1 + alpha (T1 - T0))           copper loss, in the winding
    Q = P0 + k |w| + k2 w^2                    standby and speed loss, in the housing by default

Within a step the mean square current, the speeds and the ambient are constant; then the system is
linear and each step exact (closed form), whatever its duration. Where the resistance of a winding
is not known, R0 = 1 makes every watt an A^2: a thermal resistance is then a rise per squared ampere
(K/A^2). The equations of the network are those of `thermal_model`. Pure; temperatures in degC.
"""
# ruff: noqa: N803, N806, N815 - units are written as units are: K, W and A are capitals

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats
from logger.joint.thermal.thermal_model import (
    TwoNode,
    Winding,
    exponential_and_integral,
    integrated_exponential,
    system_matrix,
)

__all__ = [
    "JointHeat",
    "LoadSteps",
    "Node",
    "OneNode",
    "StepResponse",
    "lagged_readings",
    "step_response",
    "temperatures_over",
]


class Node(StrEnum):
    """A place in a joint that has one temperature."""

    WINDING = "winding"
    HOUSING = "housing"


@dataclass(frozen=True, slots=True, kw_only=True)
class OneNode:
    """One body between the losses and the ambient: the node that carries the sensor."""

    resistance_K_per_W: float
    J_per_K: float

    @property
    def time_constant_s(self) -> float:
        """R C, without the copper's feedback."""
        return self.resistance_K_per_W * self.J_per_K


@dataclass(frozen=True, slots=True, kw_only=True)
class JointHeat:
    """Everything that decides how warm a joint gets under a given load."""

    network: OneNode | TwoNode
    winding: Winding
    standby_W: float = 0.0
    """P0: loss of a powered drive that does nothing."""
    speed_W_s_per_rad: float = 0.0
    """k, for each rad/s of mean magnitude of speed."""
    speed_W_s2_per_rad2: float = 0.0
    """k2, for each (rad/s)^2 of mean square speed."""
    loss_node: Node = Node.HOUSING
    """Where standby and speed loss arise; of no meaning with one node."""

    @property
    def nodes(self) -> int:
        """How many temperatures there are: of one node, or of winding and housing."""
        return 2 if isinstance(self.network, TwoNode) else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSteps:
    """The load of n steps that follow each other, each array of shape (n,)."""

    duration_s: Floats
    mean_square_A2: Floats
    """Time-weighted mean of the squared current in each step."""
    mean_speed_rad_s: Floats
    """Time-weighted mean of the magnitude."""
    mean_square_speed_rad2_s2: Floats

    @classmethod
    def at_rest(cls, duration_s: ArrayLike, mean_square_A2: ArrayLike) -> "LoadSteps":
        """Return steps without motion."""
        duration, square = np.broadcast_arrays(
            np.asarray(duration_s, np.float64), np.asarray(mean_square_A2, np.float64)
        )
        none = np.zeros(duration.shape)
        return cls(
            duration_s=duration,
            mean_square_A2=square,
            mean_speed_rad_s=none,
            mean_square_speed_rad2_s2=none,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResponse:
    """The exact steps of n loads for m nodes (1, or 2: winding, housing).

    Temperatures after a step = free @ temperatures before + forced + per_ambient * ambient.
    """

    free: Floats
    """Shape (n, m, m)."""
    forced: Floats
    """In degC, shape (n, m)."""
    per_ambient: Floats
    """Shape (n, m)."""


def step_response(joint: JointHeat, steps: LoadSteps) -> StepResponse:
    """Return the exact step of each load."""
    ohm, alpha = joint.winding.resistance_ohm, joint.winding.alpha_per_K
    copper_W = steps.mean_square_A2 * ohm * (1.0 - alpha * joint.winding.reference_degC)
    heating_W_per_K = steps.mean_square_A2 * ohm * alpha
    other_W = (
        joint.standby_W
        + joint.speed_W_s_per_rad * steps.mean_speed_rad_s
        + joint.speed_W_s2_per_rad2 * steps.mean_square_speed_rad2_s2
    )
    network = joint.network
    if isinstance(network, OneNode):
        pole = (heating_W_per_K - 1.0 / network.resistance_K_per_W) / network.J_per_K
        integral = integrated_exponential(pole, steps.duration_s)
        return StepResponse(
            free=np.exp(pole * steps.duration_s)[:, None, None],
            forced=(integral * (copper_W + other_W) / network.J_per_K)[:, None],
            per_ambient=(integral / network.time_constant_s)[:, None],
        )
    free, over_step = exponential_and_integral(
        system_matrix(network, heating_W_per_K=heating_W_per_K), steps.duration_s
    )
    in_winding = joint.loss_node is Node.WINDING
    winding_rate = (copper_W + (other_W if in_winding else 0.0)) / network.winding_J_per_K
    housing_rate = (0.0 if in_winding else other_W) / network.housing_J_per_K
    cooling = 1.0 / (network.housing_ambient_K_per_W * network.housing_J_per_K)
    return StepResponse(
        free=np.moveaxis(np.array(free), 2, 0),
        forced=np.stack([row[0] * winding_rate + row[1] * housing_rate for row in over_step], 1),
        per_ambient=np.stack([row[1] * cooling for row in over_step], 1),
    )


def temperatures_over(
    joint: JointHeat, steps: LoadSteps, *, start_degC: ArrayLike, ambient_degC: ArrayLike
) -> Floats:
    """Return the temperatures of the nodes at the beginning of the first and the end of each step.

    Parameters
    ----------
    start_degC
        Of one node, or of winding and housing.
    ambient_degC
        One value, or one for each step.

    Returns
    -------
    numpy.ndarray
        Shape (n + 1, nodes).
    """
    response = step_response(joint, steps)
    ambient = np.broadcast_to(np.asarray(ambient_degC, np.float64), steps.duration_s.shape)
    forced = response.forced + response.per_ambient * ambient[:, None]
    out = np.empty((len(forced) + 1, joint.nodes))
    out[0] = start_degC
    for index in range(len(forced)):
        out[index + 1] = response.free[index] @ out[index] + forced[index]
    return out


def lagged_readings(duration_s: Floats, temperature_degC: Floats, *, lag_s: float) -> Floats:
    """Return what a sensor shows that follows a temperature with a lag of the first order.

    Exact for a temperature that is straight between its n + 1 values; the sensor begins at the
    first of them.

    Parameters
    ----------
    duration_s
        Between the values, shape (n,).
    temperature_degC
        Shape (n + 1,).
    """
    if lag_s <= 0.0:
        return temperature_degC
    decay = np.exp(-duration_s / lag_s)
    # Behind a straight line of slope m a sensor settles m * lag below it.
    error_K = np.diff(temperature_degC) / duration_s * lag_s
    out = np.empty(len(temperature_degC))
    out[0] = shown = float(temperature_degC[0])
    for index, (keep, error) in enumerate(zip(decay, error_K, strict=True)):
        offset = shown - temperature_degC[index] + error
        shown = float(temperature_degC[index + 1] - error + keep * offset)
        out[index + 1] = shown
    return out
