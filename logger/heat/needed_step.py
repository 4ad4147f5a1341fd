"""Which load step would tell what a model leaves open, to be done on the bench. Pure."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.heat.fitted import FittedHeat
from logger.joint.thermal.thermal_load import LoadSteps, step_response

__all__ = ["NeededStep", "needed_step"]

SEEN_K: Final = 3.0
"""A rise that a sensor of whole degrees shows well."""
TIMES_S: Final = np.array([60.0, 120.0, 180.0, 300.0, 600.0])
LONG_ENOUGH_S: Final = 300.0
_ROUND: Final = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class NeededStep:
    """A load, and for how long it is to be held."""

    load: float
    """In N.m where the torque of an ampere is known, else in the unit of the load channel."""
    minutes: int


def needed_step(fitted: FittedHeat, per_ampere: float | None) -> NeededStep:
    """Return the least round load that warms the sensor by 3 K within five minutes, from rest.

    `per_ampere`: N.m for an ampere; None: not known, or the load is a torque itself.
    """
    node = len(fitted.sensors) - 1
    factor = 1.0 if per_ampere is None else per_ampere
    for tens in range(-1, 5):
        for digit in _ROUND:
            load = digit * 10.0**tens
            steps = LoadSteps.at_rest(TIMES_S, np.full(len(TIMES_S), (load / factor) ** 2))
            # What the load adds to a joint that has come to rest at 20 degC.
            rise = step_response(fitted.joint, steps).forced[:, node]
            rise = (
                rise - step_response(fitted.joint, LoadSteps.at_rest(TIMES_S, 0.0)).forced[:, node]
            )
            enough = np.flatnonzero((rise >= SEEN_K) & (TIMES_S <= LONG_ENOUGH_S))
            if len(enough):
                return NeededStep(load, round(float(TIMES_S[enough[0]]) / 60.0))
    return NeededStep(load, 10)
