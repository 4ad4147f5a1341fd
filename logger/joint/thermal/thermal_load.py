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

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats
from logger.joint.thermal.thermal_model import (
    TwoNode,
    Winding,
    eigenvalues,
    integrated_exponential,
    matrix_function,
    system_matrix,
)

__all__ = [
    "JointHeat",
    "LoadSteps",
    "LoadSystem",
    "Node",
    "OneNode",
    "StepResponse",
    "load_system",
    "matrix_product",
    "step_response",
    "temperatures_by",
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

    def repeated(self, count: int) -> "LoadSteps":
        """Return all steps that many times, one after the other."""
        return LoadSteps(
            duration_s=np.tile(self.duration_s, count),
            mean_square_A2=np.tile(self.mean_square_A2, count),
            mean_speed_rad_s=np.tile(self.mean_speed_rad_s, count),
            mean_square_speed_rad2_s2=np.tile(self.mean_square_speed_rad2_s2, count),
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


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSystem:
    """dT/dt = matrix T + rates + cooling Ta of n loads for m nodes, each entry of shape (n,)."""

    matrix: tuple[tuple[Floats, ...], ...]
    rates: tuple[Floats, ...]
    """In K/s."""
    cooling: tuple[Floats | float, ...]
    """In 1/s."""
    poles: tuple[Floats, ...]
    """Eigenvalues of the matrix, the slow one first."""

    def applied(self, function: Callable[[Floats], Floats]) -> tuple[tuple[Floats, ...], ...]:
        """Return a function of the matrix, from what it is at its eigenvalues (poles)."""
        if len(self.matrix) == 1:
            return ((function(self.poles[0]),),)
        (p, q), (r, s) = self.matrix
        slow, fast = self.poles
        return matrix_function(((p, q), (r, s)), (slow, fast), function)


def load_system(joint: JointHeat, steps: LoadSteps) -> LoadSystem:
    """Return the linear system that a joint is under each load."""
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
        return LoadSystem(
            matrix=((pole,),),
            rates=((copper_W + other_W) / network.J_per_K,),
            cooling=(1.0 / network.time_constant_s,),
            poles=(pole,),
        )
    in_winding = joint.loss_node is Node.WINDING
    winding_W = copper_W + (other_W if in_winding else 0.0)
    housing_W = np.zeros_like(other_W) if in_winding else other_W
    matrix = system_matrix(network, heating_W_per_K=heating_W_per_K)
    return LoadSystem(
        matrix=matrix,
        rates=(winding_W / network.winding_J_per_K, housing_W / network.housing_J_per_K),
        cooling=(0.0, 1.0 / (network.housing_ambient_K_per_W * network.housing_J_per_K)),
        poles=eigenvalues(matrix),
    )


def step_response(joint: JointHeat, steps: LoadSteps) -> StepResponse:
    """Return the exact step of each load."""
    system, time_s = load_system(joint, steps), steps.duration_s
    free = system.applied(lambda pole: np.asarray(np.exp(pole * time_s)))
    over_step = system.applied(lambda pole: integrated_exponential(pole, time_s))
    return StepResponse(
        free=np.moveaxis(np.array(free), 2, 0),
        forced=matrix_product(over_step, system.rates),
        per_ambient=matrix_product(over_step, system.cooling),
    )


def matrix_product(
    rows: tuple[tuple[Floats, ...], ...], parts: tuple[Floats | float, ...]
) -> Floats:
    """Return matrix times vector, entry by entry: shape (n, rows)."""
    return np.stack(
        [sum(one * part for one, part in zip(row, parts, strict=True)) for row in rows], 1
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
    return temperatures_by(
        step_response(joint, steps), start_degC=start_degC, ambient_degC=ambient_degC
    )


def temperatures_by(
    response: StepResponse, *, start_degC: ArrayLike, ambient_degC: ArrayLike
) -> Floats:
    """Return the temperatures at the beginning of the first and the end of each step.

    As `temperatures_over`, for steps that are known: shape (n + 1, m).
    """
    ambient = np.broadcast_to(np.asarray(ambient_degC, np.float64), response.forced.shape[:1])
    forced = response.forced + response.per_ambient * ambient[:, None]
    out = np.empty((len(forced) + 1, forced.shape[1]))
    out[0] = start_degC
    for index in range(len(forced)):
        out[index + 1] = response.free[index] @ out[index] + forced[index]
    return out
