"""Which model of a joint's heat is meant, its parameters, and the joint that has them.

Heat is counted per squared ampere (or N.m where no current is recorded), with a resistance of 1 at
the copper's reference: so nothing hangs on a resistance that nobody stated. Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_load import JointHeat, Node, OneNode
from logger.joint.thermal.thermal_model import COPPER_ALPHA_PER_K, TwoNode, Winding

__all__ = ["COPPER", "LAG_PARAMETERS", "HeatModel", "Parameter", "SpeedLoss", "heat_joint"]

COPPER: Final = Winding(resistance_ohm=1.0, reference_degC=20.0, alpha_per_K=COPPER_ALPHA_PER_K)


class Parameter(StrEnum):
    """What a model of heat has to know. Units: K/A^2 (or K/(N.m)^2), s, K, K s/rad, K s2/rad2."""

    HOUSING_RISE = "housing_rise"
    """Rise of the housing above ambient for each squared ampere, copper at 20 degC."""
    HOUSING_TIME = "housing_time"
    """Thermal resistance to ambient times heat capacity of the housing."""
    WINDING_RISE = "winding_rise"
    """Rise of the winding above the housing for each squared ampere, copper at 20 degC."""
    WINDING_TIME = "winding_time"
    """Thermal resistance to the housing times heat capacity of the winding."""
    STANDBY_RISE = "standby_rise"
    """Rise of the housing above ambient by the drive alone."""
    SPEED_RISE = "speed_rise"
    """Rise of the housing for each rad/s, or each (rad/s)^2."""
    WINDING_LAG = "winding_lag"
    """Time constant with which the winding's sensor follows the winding."""
    HOUSING_LAG = "housing_lag"
    """Time constant with which the housing's sensor follows the housing."""


LAG_PARAMETERS: Final[Mapping[Node, Parameter]] = {
    Node.WINDING: Parameter.WINDING_LAG,
    Node.HOUSING: Parameter.HOUSING_LAG,
}


class SpeedLoss(StrEnum):
    """How loss grows with speed."""

    NONE = "none"
    LINEAR = "linear"
    SQUARE = "square"


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatModel:
    """The structure of a model; its parameters are fitted."""

    nodes: int
    """1: the node that carries the sensor. 2: winding and housing."""
    standby: bool
    """Whether standby rise is told apart from the ambient, which must be known for that."""
    speed: SpeedLoss = SpeedLoss.NONE
    loss_node: Node = Node.HOUSING
    lags: tuple[Node, ...] = ()
    """Nodes whose sensor lags; winding before housing. Sensors that do not lag show their node."""

    @property
    def states(self) -> int:
        """How many temperatures are followed: nodes, and behind them the sensors that lag."""
        return self.nodes + len(self.lags)

    def node_index(self, node: Node) -> int:
        """Return which node of the model that is: of one body the only one."""
        return 1 if self.nodes == 2 and node is Node.HOUSING else 0

    def state_shown(self, node: Node) -> int:
        """Return which state the sensor of a node shows: its own where it lags, else the node."""
        if node in self.lags:
            return self.nodes + self.lags.index(node)
        return self.node_index(node)

    def lags_s(self, parameters: Mapping[Parameter, float | Floats]) -> dict[int, Floats]:
        """Return the time constant of each sensor that lags, by the index of its node."""
        return {
            self.node_index(node): np.asarray(parameters[LAG_PARAMETERS[node]])
            for node in self.lags
        }

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The parameters, in the order of their array."""
        names = [Parameter.HOUSING_RISE, Parameter.HOUSING_TIME]
        if self.nodes == 2:
            names += [Parameter.WINDING_RISE, Parameter.WINDING_TIME]
        if self.standby:
            names.append(Parameter.STANDBY_RISE)
        if self.speed is not SpeedLoss.NONE:
            names.append(Parameter.SPEED_RISE)
        names += [LAG_PARAMETERS[node] for node in self.lags]
        return tuple(names)


def heat_joint(
    model: HeatModel, parameters: Mapping[Parameter, float | Floats], copper: Winding = COPPER
) -> JointHeat:
    """Return the joint with those parameters, its watts being squares of what was recorded.

    Parameters may be arrays, all of one shape: then so are the joint's numbers.
    """
    of: dict[Parameter, Any] = {
        name: value if np.ndim(value) else float(value) for name, value in parameters.items()
    }
    rise, time = of[Parameter.HOUSING_RISE], of[Parameter.HOUSING_TIME]
    network: OneNode | TwoNode = OneNode(resistance_K_per_W=rise, J_per_K=time / rise)
    if model.nodes == 2:
        inner_rise = of[Parameter.WINDING_RISE]
        network = TwoNode(
            winding_housing_K_per_W=inner_rise,
            winding_J_per_K=of[Parameter.WINDING_TIME] / inner_rise,
            housing_ambient_K_per_W=rise,
            housing_J_per_K=time / rise,
        )
    speed = of.get(Parameter.SPEED_RISE, 0.0) / rise
    return JointHeat(
        network=network,
        winding=copper,
        standby_W=of.get(Parameter.STANDBY_RISE, 0.0) / rise,
        speed_W_s_per_rad=speed if model.speed is SpeedLoss.LINEAR else 0.0,
        speed_W_s2_per_rad2=speed if model.speed is SpeedLoss.SQUARE else 0.0,
        loss_node=model.loss_node,
    )
