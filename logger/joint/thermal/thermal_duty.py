"""What a joint bears: for ever (S1), for a time (S2) and in cycles (S3); IEC 60034-1, clause 4.2.

Loads are mean square currents in A^2; temperatures in degC. A joint without a steady temperature at
a load (the copper's feedback outgrows the cooling) is told by inf, one that cannot carry any load
by 0. Pure.
"""
# ruff: noqa: N802, N803, N806 - units are written as units are: K, W and A are capitals

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.arrays import Floats
from logger.joint.thermal.thermal_load import (
    JointHeat,
    LoadSteps,
    Node,
    OneNode,
    StepResponse,
    step_response,
)

__all__ = [
    "continuous_mean_square_A2",
    "cyclic_mean_square_A2",
    "cyclic_peak_degC",
    "equilibrium_time_s",
    "loop_gain",
    "settled_degC",
    "time_to_temperature_s",
]

EQUILIBRIUM_K_PER_H = 2.0
"""Temperature rises that change by no more are in thermal equilibrium (IEC 60034-1, 3.25)."""
_HALVINGS = 60
_REFINEMENTS = 6


def loop_gain(joint: JointHeat, mean_square_A2: float) -> float:
    """Return the loop gain of the copper's own rise of resistance; runaway from 1 on."""
    network = joint.network
    return mean_square_A2 * (
        network.resistance_K_per_W * joint.winding.resistance_ohm * joint.winding.alpha_per_K
    )


def settled_degC(
    joint: JointHeat, *, mean_square_A2: float, ambient_degC: float, speed_rad_s: float = 0.0
) -> Floats:
    """Return where the nodes settle under a constant load; inf where they never do."""
    if loop_gain(joint, mean_square_A2) >= 1.0:
        return np.full(joint.nodes, math.inf)
    winding, network = joint.winding, joint.network
    other_W = _other_loss_W(joint, speed_rad_s)
    # Copper loss at ambient temperature, and its part for each kelvin of the winding's rise.
    cold_W = float(winding.loss_W(math.sqrt(mean_square_A2), ambient_degC))
    per_K = mean_square_A2 * winding.resistance_ohm * winding.alpha_per_K
    if isinstance(network, OneNode):
        r = network.resistance_K_per_W
        return np.array([ambient_degC + r * (cold_W + other_W) / (1.0 - r * per_K)])
    r1, r2 = network.winding_housing_K_per_W, network.housing_ambient_K_per_W
    through_K = other_W * (r1 + r2 if joint.loss_node is Node.WINDING else r2)
    rise_K = ((r1 + r2) * cold_W + through_K) / (1.0 - (r1 + r2) * per_K)
    total_W = cold_W + per_K * rise_K + other_W
    return np.array([ambient_degC + rise_K, ambient_degC + r2 * total_W])


def continuous_mean_square_A2(
    joint: JointHeat,
    *,
    node: Node,
    limit_degC: float,
    ambient_degC: float,
    speed_rad_s: float = 0.0,
) -> float:
    """Return the load that holds a node at its limit for ever (S1); 0 where standby is too much.

    With one node, `node` says where that one is.
    """
    winding, network = joint.winding, joint.network
    other_W = _other_loss_W(joint, speed_rad_s)
    rise_K = limit_degC - ambient_degC
    if isinstance(network, OneNode):
        copper_W = rise_K / network.resistance_K_per_W - other_W
        winding_degC = limit_degC
    else:
        r1, r2 = network.winding_housing_K_per_W, network.housing_ambient_K_per_W
        in_winding_W = other_W if joint.loss_node is Node.WINDING else 0.0
        if node is Node.WINDING:
            copper_W = (rise_K - r2 * other_W - r1 * in_winding_W) / (r1 + r2)
            winding_degC = limit_degC
        else:
            copper_W = rise_K / r2 - other_W
            winding_degC = limit_degC + r1 * (copper_W + in_winding_W)
    if copper_W <= 0.0:
        return 0.0
    return copper_W / float(winding.resistance_at(winding_degC))


def time_to_temperature_s(
    joint: JointHeat,
    *,
    node: Node,
    limit_degC: float,
    mean_square_A2: float,
    start_degC: ArrayLike,
    ambient_degC: float,
    longest_s: float = 1e6,
) -> float:
    """Return for how long a load can be held until a node reaches its limit (S2).

    0 where it is there already, inf where it is not reached within `longest_s`.

    Parameters
    ----------
    start_degC
        The temperatures of the nodes when the load sets in: cold, or warm.
    """
    start = np.broadcast_to(np.asarray(start_degC, np.float64), (joint.nodes,))
    index = _node_index(joint, node)
    if start[index] >= limit_degC:
        return 0.0

    def is_over(time_s: Floats) -> NDArray[np.bool_]:
        # Beyond runaway a late temperature is no number any more: it is over every limit.
        with np.errstate(over="ignore", invalid="ignore"):
            response = step_response(joint, LoadSteps.at_rest(time_s, mean_square_A2))
            later = _end_temperatures(response, start, ambient_degC)[:, index]
        return ~(later < limit_degC)

    # A node that cools towards a housing and is then warmed again can cross late: the first
    # crossing is sought on a grid that is dense against both time constants, then on finer ones.
    grid = np.concatenate([[0.0], np.geomspace(1e-3, longest_s, 300)])
    for _ in range(_REFINEMENTS):
        over = is_over(grid)
        if not over.any():
            return math.inf
        first = max(int(np.argmax(over)), 1)
        grid = np.linspace(grid[first - 1], grid[first], 50)
    return float(grid[-1])


def cyclic_peak_degC(
    joint: JointHeat, *, mean_square_A2: float, on_s: float, off_s: float, ambient_degC: float
) -> Floats:
    """Return the peaks of the nodes in a duty of load and rest that has settled (S3).

    inf where it never settles. The peak is at the end of the load for the winding; a housing lags
    behind, and its peak within the rest is found as well.
    """
    steps = LoadSteps.at_rest([on_s, off_s], [mean_square_A2, 0.0])
    response = step_response(joint, steps)
    forced = response.forced + response.per_ambient * ambient_degC
    through = response.free[1] @ response.free[0]
    if np.abs(np.linalg.eigvals(through)).max() >= 1.0:
        return np.full(joint.nodes, math.inf)
    begin = np.linalg.solve(np.eye(joint.nodes) - through, response.free[1] @ forced[0] + forced[1])
    top = response.free[0] @ begin + forced[0]
    within = step_response(joint, LoadSteps.at_rest(np.linspace(0.0, off_s, 200), 0.0))
    return np.asarray(_end_temperatures(within, top, ambient_degC).max(axis=0))


def cyclic_mean_square_A2(
    joint: JointHeat,
    *,
    node: Node,
    limit_degC: float,
    on_s: float,
    off_s: float,
    ambient_degC: float,
) -> float:
    """Return the load during `on_s` of each cycle that keeps a node's peak at its limit (S3)."""
    index = _node_index(joint, node)

    def is_too_warm(load_A2: float) -> bool:
        peak = cyclic_peak_degC(
            joint, mean_square_A2=load_A2, on_s=on_s, off_s=off_s, ambient_degC=ambient_degC
        )
        return bool(peak[index] >= limit_degC)

    if is_too_warm(0.0):
        return 0.0
    low = continuous_mean_square_A2(
        joint, node=node, limit_degC=limit_degC, ambient_degC=ambient_degC
    )
    high = low * 2.0
    while not is_too_warm(high):
        low, high = high, high * 2.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if is_too_warm(middle) else (middle, high)
    return low


def equilibrium_time_s(rise_K: float, time_constant_s: float) -> float:
    """Return until when the slope of a warming by `rise_K` falls to 2 K/h; 0 where it is below.

    t = tau ln(rise 3600 / (tau 2)), rise being what is still missing.
    """
    ratio = rise_K * 3600.0 / (time_constant_s * EQUILIBRIUM_K_PER_H)
    return time_constant_s * math.log(ratio) if ratio > 1.0 else 0.0


def _other_loss_W(joint: JointHeat, speed_rad_s: float) -> float:
    return (
        joint.standby_W
        + joint.speed_W_s_per_rad * abs(speed_rad_s)
        + joint.speed_W_s2_per_rad2 * speed_rad_s**2
    )


def _node_index(joint: JointHeat, node: Node) -> int:
    return 1 if joint.nodes == 2 and node is Node.HOUSING else 0


def _end_temperatures(response: StepResponse, start: Floats, ambient_degC: float) -> Floats:
    """Return the temperatures after each of several steps, all from one start: shape (n, nodes)."""
    return np.asarray(response.free @ start + response.forced + response.per_ambient * ambient_degC)
