"""For how long loads can be held, for many joints and loads at once. Pure.

The answers of `thermal_duty.time_to_temperature_s` where a load is higher than the one that the
joint settled under before: then the node only warms, and crosses its limit once. All joints of one
model (draws of what a fit leaves open) are one set of arrays, so that a band follows a slider.
"""
# ruff: noqa: N802, N803 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Sequence
from typing import Any, Final, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.arrays import Floats
from logger.joint.thermal.thermal_duty import continuous_mean_square_A2
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, OneNode, step_response

__all__ = ["LONGEST_S", "held_loads_A2", "held_times_s", "stacked_joints"]

LONGEST_S: Final = 1e6
"""What lasts longer is held for ever."""
_SHORTEST_S: Final = 1e-2
_HALVINGS: Final = 40
_HIGHEST_DOUBLINGS: Final = 40


def held_times_s(
    joints: Sequence[JointHeat],
    *,
    node: Node,
    limit_degC: float,
    ambient_degC: float,
    mean_square_A2: ArrayLike,
    start_degC: Floats,
) -> Floats:
    """Return for how long loads can be held until a node reaches its limit (S2).

    0 where it is there already, inf where it is not reached within `LONGEST_S`.

    Parameters
    ----------
    joints
        j joints of the same number of nodes.
    mean_square_A2
        n loads, each above the one under which the joint settled to `start_degC`.
    start_degC
        Temperatures of the nodes when the load sets in, shape (j, nodes).

    Returns
    -------
    numpy.ndarray
        Shape (j, n).
    """
    square = np.asarray(mean_square_A2, np.float64)
    heated = _Heated(joints, len(square), node, ambient_degC, start_degC)
    load = np.tile(square, len(joints))
    low = np.full(load.shape, math.log(_SHORTEST_S))
    high = np.full(load.shape, math.log(LONGEST_S))
    for_ever = heated.is_below(limit_degC, np.exp(high), load)
    at_once = heated.start_degC >= limit_degC
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        below = heated.is_below(limit_degC, np.exp(middle), load)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    time = np.where(for_ever, math.inf, np.exp(high))
    return np.where(at_once, 0.0, time).reshape(len(joints), -1)


def held_loads_A2(
    joints: Sequence[JointHeat],
    *,
    node: Node,
    limit_degC: float,
    ambient_degC: float,
    time_s: ArrayLike,
    start_degC: Floats,
) -> Floats:
    """Return the highest load that can be held for each of n times: the inverse of `held_times_s`.

    0 where the limit is reached without any load.

    Returns
    -------
    numpy.ndarray
        Mean squares, shape (j, n).
    """
    held_s = np.asarray(time_s, np.float64)
    heated = _Heated(joints, len(held_s), node, ambient_degC, start_degC)
    time = np.tile(held_s, len(joints))
    for_ever = [
        continuous_mean_square_A2(
            joint, node=node, limit_degC=limit_degC, ambient_degC=ambient_degC
        )
        for joint in joints
    ]
    least = np.repeat(np.maximum(for_ever, 1e-12), len(held_s))
    high = 2.0 * least
    for _ in range(_HIGHEST_DOUBLINGS):
        below = heated.is_below(limit_degC, time, high)
        if not below.any():
            break
        high = np.where(below, 2.0 * high, high)
    low, high = np.log(least), np.log(high)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        below = heated.is_below(limit_degC, time, np.exp(middle))
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    none = (heated.start_degC >= limit_degC) | (np.repeat(for_ever, len(held_s)) <= 0.0)
    return np.where(none, 0.0, np.exp(low)).reshape(len(joints), -1)


class _Heated:
    """j joints, each n times one after the other, from their starts on."""

    def __init__(
        self,
        joints: Sequence[JointHeat],
        count: int,
        node: Node,
        ambient_degC: float,
        start_degC: Floats,
    ) -> None:
        self._joint = stacked_joints(joints, count)
        self._index = 1 if joints[0].nodes == 2 and node is Node.HOUSING else 0
        self._ambient_degC = ambient_degC
        self._start = np.repeat(np.asarray(start_degC, np.float64), count, axis=0)
        self.start_degC = self._start[:, self._index]

    def is_below(self, limit_degC: float, time_s: Floats, load_A2: Floats) -> NDArray[np.bool_]:
        """Return whether the node is below a temperature after a time under a load."""
        # Beyond runaway a late temperature is no number any more: it is over every limit.
        with np.errstate(over="ignore", invalid="ignore"):
            response = step_response(self._joint, LoadSteps.at_rest(time_s, load_A2))
            free = np.einsum("im,im->i", response.free[:, self._index], self._start)
            later = (
                free
                + response.forced[:, self._index]
                + response.per_ambient[:, self._index] * self._ambient_degC
            )
            return np.asarray(later < limit_degC)


def stacked_joints(joints: Sequence[JointHeat], count: int = 1) -> JointHeat:
    """Return j joints of one model as one whose numbers are arrays, each `count` times.

    All that a step computes broadcasts.
    """

    def each(values: Sequence[float]) -> float:
        return cast("float", np.repeat(np.asarray(values, np.float64), count))

    def of(name: str) -> float:
        return each([getattr(joint, name) for joint in joints])

    first = joints[0]
    kind = type(first.network)
    networks: list[Any] = [joint.network for joint in joints]
    names = (
        ("resistance_K_per_W", "J_per_K")
        if isinstance(first.network, OneNode)
        else (
            "winding_housing_K_per_W",
            "winding_J_per_K",
            "housing_ambient_K_per_W",
            "housing_J_per_K",
        )
    )
    fields = {name: each([getattr(network, name) for network in networks]) for name in names}
    network = kind(**fields)
    return JointHeat(
        network=network,
        winding=first.winding,
        standby_W=of("standby_W"),
        speed_W_s_per_rad=of("speed_W_s_per_rad"),
        speed_W_s2_per_rad2=of("speed_W_s2_per_rad2"),
        loss_node=first.loss_node,
    )
