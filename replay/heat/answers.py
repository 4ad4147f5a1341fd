"""What a fitted joint bears, with bands: draws of its parameters put through the model. Pure."""
# ruff: noqa: N803 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_duty import (
    EQUILIBRIUM_K_PER_H,
    continuous_mean_square_A2,
    equilibrium_time_s,
    settled_degC,
)
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, OneNode, temperatures_over
from logger.joint.thermal.thermal_overload import held_loads_A2, held_times_s
from replay.heat.problem import HeatProblem
from replay.heat.result import Equilibrium, HeldFor, LoadBand
from replay.heat.search import Mode

__all__ = [
    "DRAWS",
    "HOLDING_LOSS",
    "WARM_SHARE",
    "column_band",
    "drawn_joints",
    "equilibrium_at_end",
    "held_for",
    "load_for_ever",
    "longest_loads",
    "settled_starts",
    "slow_time_s",
]

DRAWS: Final = 200
HOLDING_LOSS: Final = 2.0
"""At standstill one phase may carry the peak all the time: sin^2 is 1 there, and 1/2 on average."""
WARM_SHARE: Final = 0.8
"""Of the load that is borne for ever, at which a warm joint has settled."""
LOAD_SHARES: Final = (1.1, 1.25, 1.5, 2.0, 3.0)
_HOUR_S: Final = 3600.0


def drawn_joints(
    problem: HeatProblem, mode: Mode, dice: np.random.Generator
) -> tuple[JointHeat, ...]:
    """Return the likeliest joint, and after it draws of what the fit leaves open."""
    count = problem.theta_count
    points = dice.multivariate_normal(
        mode.outer[:count], mode.covariance[:count, :count], DRAWS, method="eigh"
    )
    return tuple(problem.joint_at(point) for point in (mode.outer[:count], *points))


def load_for_ever(
    joints: Sequence[JointHeat],
    *,
    node: Node,
    limit_degC: float,
    ambients_degC: Sequence[float],
    per_ampere: float,
    speed_rad_s: float,
) -> tuple[LoadBand, ...]:
    """Return the load that is borne for ever (S1) at each ambient, rotating and at standstill.

    Parameters
    ----------
    per_ampere
        N.m for an ampere, or 1.
    speed_rad_s
        At which a joint rotates, where its loss grows with it.
    """

    def borne(joint: JointHeat, ambient_degC: float, speed: float, loss: float) -> float:
        square = continuous_mean_square_A2(
            joint, node=node, limit_degC=limit_degC, ambient_degC=ambient_degC, speed_rad_s=speed
        )
        return per_ampere * math.sqrt(square / loss)

    return tuple(
        LoadBand(
            ambient_degC=ambient_degC,
            rotating=_band(
                joints, partial(borne, ambient_degC=ambient_degC, speed=speed_rad_s, loss=1.0)
            ),
            holding=_band(
                joints, partial(borne, ambient_degC=ambient_degC, speed=0.0, loss=HOLDING_LOSS)
            ),
        )
        for ambient_degC in ambients_degC
    )


def held_for(
    joints: Sequence[JointHeat],
    *,
    node: Node,
    limit_degC: float,
    ambient_degC: float,
    per_ampere: float,
    loads: Sequence[float] | None = None,
    more: Sequence[float] = (),
) -> tuple[HeldFor, ...]:
    """Return for how long loads above the one for ever can be held (S2), from cold and warm.

    Parameters
    ----------
    loads
        In N.m (or the load channel's unit); None: shares of the one for ever.
    more
        Loads that are told beside those shares, as far as they are more than the one for ever.
    """
    likeliest = continuous_mean_square_A2(
        joints[0], node=node, limit_degC=limit_degC, ambient_degC=ambient_degC
    )
    if likeliest <= 0.0:
        return ()
    if loads is None:
        for_ever = per_ampere * math.sqrt(likeliest)
        shares = [share * for_ever for share in LOAD_SHARES]
        loads = sorted({*shares, *(load for load in more if load > for_ever)})
    squares = np.square(np.asarray(loads) / per_ampere)
    cold, warm = (
        held_times_s(
            joints,
            node=node,
            limit_degC=limit_degC,
            ambient_degC=ambient_degC,
            mean_square_A2=squares,
            start_degC=settled_starts(joints, ambient_degC, square),
        )
        for square in (0.0, WARM_SHARE**2 * likeliest)
    )
    return tuple(
        HeldFor(load=float(load), cold_s=column_band(cold, at), warm_s=column_band(warm, at))
        for at, load in enumerate(loads)
    )


def longest_loads(
    joints: Sequence[JointHeat],
    *,
    node: Node,
    limit_degC: float,
    ambient_degC: float,
    per_ampere: float,
    time_s: Floats,
    is_warm: bool,
    loss: float = 1.0,
) -> Floats:
    """Return the highest load for each of n times: value, low and high, shape (n, 3).

    Parameters
    ----------
    is_warm
        From the plateau of `WARM_SHARE` of the load that is borne for ever; False: from cold.
    loss
        Against rotating: `HOLDING_LOSS` at standstill.
    """
    likeliest = continuous_mean_square_A2(
        joints[0], node=node, limit_degC=limit_degC, ambient_degC=ambient_degC
    )
    start_square = WARM_SHARE**2 * likeliest if is_warm else 0.0
    squares = held_loads_A2(
        joints,
        node=node,
        limit_degC=limit_degC,
        ambient_degC=ambient_degC,
        time_s=time_s,
        start_degC=settled_starts(joints, ambient_degC, start_square),
    )
    loads = per_ampere * np.sqrt(squares / loss)
    return np.array([column_band(loads, at) for at in range(len(time_s))])


def slow_time_s(joint: JointHeat) -> float:
    """Return the slow time constant of a joint, without the copper's feedback."""
    network = joint.network
    return network.time_constant_s if isinstance(network, OneNode) else network.time_constants_s[0]


def settled_starts(
    joints: Sequence[JointHeat], ambient_degC: float, mean_square_A2: float
) -> Floats:
    """Return where each joint settles under a load, shape (j, nodes)."""
    return np.array(
        [
            settled_degC(joint, mean_square_A2=mean_square_A2, ambient_degC=ambient_degC)
            for joint in joints
        ]
    )


def equilibrium_at_end(problem: HeatProblem, mode: Mode, node: Node) -> Equilibrium:
    """Return whether the joint was in equilibrium at the end, its load of the last hour held on."""
    trace = problem.trace
    at_end = trace.segment == trace.segment[-1]
    recent = at_end & (trace.begin_s >= trace.begin_s[-1] - _HOUR_S)
    weight = trace.steps.duration_s[recent]
    square = float(weight @ trace.steps.mean_square_A2[recent] / weight.sum())
    ambient = problem.ambient_of(mode.unknowns)
    now = problem.node_temperatures(mode.outer, mode.unknowns)[-1]
    joint = problem.joint_at(mode.outer)
    index = 1 if joint.nodes == 2 and node is Node.HOUSING else 0
    here = float(ambient[-1])
    # An hour on at that load and ambient; cycles within the hour are averaged.
    later = temperatures_over(
        joint, LoadSteps.at_rest([_HOUR_S], square), start_degC=now, ambient_degC=here
    )[-1]
    rate = float(later[index] - now[index])
    settled = settled_degC(joint, mean_square_A2=square, ambient_degC=here)
    slow_s = slow_time_s(joint)
    missing = abs(float(settled[index] - now[index]))
    left_s = equilibrium_time_s(missing, slow_s) if math.isfinite(missing) else math.inf
    reached = abs(rate) <= EQUILIBRIUM_K_PER_H
    return Equilibrium(rate_K_per_h=rate, is_reached=reached, left_s=0.0 if reached else left_s)


def _band(
    joints: Sequence[JointHeat], answer: Callable[[JointHeat], float]
) -> tuple[float, float, float]:
    """Return the answer of the likeliest joint and the 95 % interval over all draws."""
    return column_band(np.array([[answer(joint)] for joint in joints]), 0)


def column_band(values: Floats, at: int) -> tuple[float, float, float]:
    """Return the value of the likeliest joint, the first row, and the 95 % interval over draws."""
    drawn = np.sort(values[1:, at])
    low, high = (drawn[round(share * (len(drawn) - 1))] for share in (0.025, 0.975))
    return float(values[0, at]), float(low), float(high)
