"""Short traces of one joint, and the limits that are most often tried on them."""

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.limits.kinds.level import Level
from logger.limits.kinds.silence import Silence

__all__ = ["HOUSING", "TORQUE", "S", "batch_of", "level", "silence"]

S = 1_000_000_000

HOUSING, TORQUE = "temperature_housing_degC", "torque_Nm"


def batch_of(time_s, **columns) -> ReadingBatch:
    """Return readings at these seconds."""
    count = len(time_s)
    return ReadingBatch(
        joint="shoulder",
        time_ns=np.array([round(t * S) for t in time_s], np.int64),
        position_segment=np.zeros(count, np.int32),
        columns={name: np.array(values, np.float64) for name, values in columns.items()},
    )


def level(**keys) -> Level:
    """Return a level limit on the housing, unless said otherwise."""
    return Level.model_validate({"name": "hot", "severity": "warning", "channel": HOUSING, **keys})


def silence(after_s: float, name: str = "silent") -> Silence:
    """Return a silence limit."""
    return Silence(name=name, severity="warning", after_s=after_s)
