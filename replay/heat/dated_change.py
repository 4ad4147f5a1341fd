"""What may change at an instant of a recording, and what a joint is after it. Pure."""
# ruff: noqa: N806 - units are written as units are: K is a capital

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.sensor_lag import lagged_response
from logger.joint.thermal.thermal_load import (
    JointHeat,
    LoadSteps,
    OneNode,
    StepResponse,
)
from logger.joint.thermal.thermal_model import TwoNode

__all__ = ["ChangeCause", "DatedChange", "change_prior", "changed_joint", "changed_response"]

_FACTOR_SD: Final = 0.5
"""Of the logarithm of a factor: within 2.7 either way at 95 %."""
_AMBIENT_SD_K: Final = 4.0
_STANDBY_SD_K: Final = 12.0
"""Of what the standby rise becomes more: 10 K of it, and cooling worse by 2.5, are 15 K."""


class ChangeCause(StrEnum):
    """What may have changed at one instant of a recording."""

    COOLING = "cooling"
    """The resistance from the housing to the ambient is another: airflow, or contact."""
    HEAT = "heat"
    """The same current makes other heat: friction and everything else that warms with the load."""
    AMBIENT = "ambient"
    """The ambient stepped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedChange:
    """A change of a joint, or of its room, at an instant."""

    cause: ChangeCause
    at_s: float
    """Since the first step of the trace."""
    carries_standby: bool = False
    """A room that is not known holds the standby rise, which worse cooling raises as well: then a
    step of the ambient is free beside the factor."""

    @property
    def sizes(self) -> int:
        """How many parameters it has: a factor's logarithm, a step in K, or both."""
        return 2 if self.carries_standby and self.cause is ChangeCause.COOLING else 1


def change_prior(changes: Sequence[DatedChange]) -> tuple[Floats, Floats]:
    """Return centres and standard deviations of the parameters of changes, in their order."""
    spread = []
    for change in changes:
        first = _AMBIENT_SD_K if change.cause is ChangeCause.AMBIENT else _FACTOR_SD
        spread += [first, _STANDBY_SD_K][: change.sizes]
    return np.zeros(len(spread)), np.array(spread)


def changed_response(
    joint: JointHeat,
    steps: LoadSteps,
    begin_s: Floats,
    changes: Sequence[DatedChange],
    sizes: Floats,
    *,
    lags_s: Mapping[int, float | Floats] = MappingProxyType({}),
) -> StepResponse:
    """Return the exact step of each load, those after changes for what the joint is by then.

    Parameters
    ----------
    changes
        In order of time.
    sizes
        Their parameters (`change_prior`), each a number or one for each step.
    lags_s
        Of sensors, as of `lagged_response`: these are states behind the nodes.
    """
    response = lagged_response(joint, steps, lags_s)
    step_K, at = np.zeros(len(begin_s)), 0
    for change in changes:
        own = sizes[at : at + change.sizes]
        at += change.sizes
        # Of the step in which it lies a share is after it: else a date would be no nearer than a
        # step, and what is left within one would be taken for a change of its own.
        after = np.clip((begin_s + steps.duration_s - change.at_s) / steps.duration_s, 0.0, 1.0)
        if change.cause is ChangeCause.AMBIENT or change.sizes == 2:
            step_K = step_K + own[-1] * after
        if change.cause is ChangeCause.AMBIENT:
            continue
        joint = changed_joint(joint, change.cause, np.exp(own[0]))
        later = lagged_response(joint, steps, lags_s)
        response = StepResponse(
            free=_mixed(response.free, later.free, after[:, None, None]),
            forced=_mixed(response.forced, later.forced, after[:, None]),
            per_ambient=_mixed(response.per_ambient, later.per_ambient, after[:, None]),
        )
    return replace(response, forced=response.forced + response.per_ambient * step_K[:, None])


def _mixed(before: Floats, after: Floats, share: Floats) -> Floats:
    return before + share * (after - before)


def changed_joint(joint: JointHeat, cause: ChangeCause, size: float) -> JointHeat:
    """Return what a joint is after a change; a step of the ambient leaves it as it is.

    `size`: a factor, or an array of one for each step: then so are the numbers of the joint.
    """
    network = joint.network
    if cause is ChangeCause.HEAT:
        ohm = joint.winding.resistance_ohm * size
        return replace(joint, winding=replace(joint.winding, resistance_ohm=ohm))
    if cause is not ChangeCause.COOLING:
        return joint
    if isinstance(network, OneNode):
        cooled: OneNode | TwoNode = replace(
            network, resistance_K_per_W=network.resistance_K_per_W * size
        )
    else:
        cooled = replace(network, housing_ambient_K_per_W=network.housing_ambient_K_per_W * size)
    return replace(joint, network=cooled)
