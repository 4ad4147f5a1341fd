"""Thermal images that protect a node of a fitted joint under any load. Pure.

While the copper is no warmer than at the load for ever, its loss is at most that of the resistance
there, and the node's rise above the temperature without load is at most

    rise / rise at the limit  <=  sum over i of  w_i H_i
    tau_i dH_i/dt + H_i = load^2 / (load for ever)^2

with the network's time constants tau_i. One node has one image, and H = 1 is the limit. A winding
on a housing has two, with weights that add up to 1: where the slow one stays below h_s and the fast
one below h_f, and w_s h_s + w_f h_f = 1, the limit is not reached, whatever the load does in
between. To leave room for short loads the slow image gives up a share of the load for ever. A
housing under a winding follows the slow image times tau_s / (tau_s - tau_f) at most.
"""

import math
from dataclasses import dataclass
from typing import Final

from logger.joint.thermal.thermal_load import JointHeat, Node, OneNode
from logger.joint.thermal.thermal_model import TwoNode

__all__ = ["ProtectingImage", "image_weights", "protecting_images"]

SLOW_LOAD_SHARE: Final = 0.9
"""Of the load for ever, that a slow image beside a fast one lets go on for ever."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectingImage:
    """A first-order image (IEC 60255-149), full where it operates."""

    part: str
    """What it stands for: a word for its name."""
    time_constant_s: float
    carried: float
    """The load that it lets go on for ever (k I_B), in the unit of the load for ever."""


def protecting_images(
    joint: JointHeat, *, node: Node, load_for_ever: float
) -> tuple[ProtectingImage, ...]:
    """Return the images below whose levels a node stays below its limit.

    Parameters
    ----------
    joint
        Whose time constants and weights count.
    load_for_ever
        The load that holds the node at its limit.
    """
    network = joint.network
    if isinstance(network, OneNode):
        return (_image(node.value, network.time_constant_s, load_for_ever, 1.0),)
    slow_s, fast_s = network.time_constants_s
    if node is Node.HOUSING:
        return (_image(node.value, slow_s, load_for_ever, 1.0 - fast_s / slow_s),)
    slow, fast = image_weights(network)
    level = SLOW_LOAD_SHARE**2
    return (
        _image("housing", slow_s, load_for_ever, level),
        _image("winding", fast_s, load_for_ever, (1.0 - slow * level) / fast),
    )


def image_weights(network: TwoNode) -> tuple[float, float]:
    """Return the shares of a winding's rise that follow slowly and fast; they add up to 1.

    From the closed form of its step, T1 = P ((R1 + R2) + A1 exp(s1 t) + A2 exp(s2 t)).
    """
    slow_s, fast_s = network.time_constants_s
    s_slow, s_fast = -1.0 / slow_s, -1.0 / fast_s
    whole = network.resistance_K_per_W
    slow = (1.0 / network.winding_J_per_K + s_fast * whole) / (s_slow - s_fast)
    return -slow / whole, 1.0 + slow / whole


def _image(part: str, time_constant_s: float, load: float, level: float) -> ProtectingImage:
    return ProtectingImage(
        part=part, time_constant_s=time_constant_s, carried=load * math.sqrt(level)
    )
