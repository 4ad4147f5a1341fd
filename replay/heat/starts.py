"""What is known before a fit of where each segment begins, of the ambient and of noises. Pure."""
# ruff: noqa: N806 - units are written as units are: K is a capital

from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import HeatModel
from logger.joint.thermal.thermal_load import Node
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace, StatedAmbient

__all__ = ["first_noise", "start_prior"]

_SHOWN_SD_K: Final = 5.0
"""How far a temperature at the begin of a segment may lie from the first reading of its sensor."""
_UNSEEN_SD_K: Final = 15.0
"""The same of one that no sensor shows, or only one that lags."""
_RECORDED_SD_K: Final = 10.0
_AMBIENT_SD_K: Final = 30.0
"""Of the mean ambient, where it is recorded and where it is not."""
_NOISE_SHARE: Final = 0.2
"""Of one count: the noise before rounding that a search begins with."""
_LEAST_NOISE_K: Final = 0.02


def start_prior(
    trace: HeatTrace, model: HeatModel, ambient: StatedAmbient | None
) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of all starts and of the mean ambient, without its drift.

    Of segment after segment: nodes, then the sensors that lag.
    """
    mean, sd = [], []
    both = (Node.WINDING, Node.HOUSING)
    first_degC = [
        {node: _first_reading(trace, number, node) for node in both}
        for number in range(trace.segments)
    ]
    anything = next(
        (value for one in first_degC for value in one.values() if value is not None), 25.0
    )
    for first in first_degC:
        near = next((one for one in first.values() if one is not None), anything)
        own = [(first[node], node in model.lags) for node in both]
        if model.nodes == 1:
            own = [(near, bool(model.lags))]
        own += [(first[node], False) for node in model.lags]
        for value, is_hidden in own:
            mean.append(near if value is None else value)
            sd.append(_UNSEEN_SD_K if value is None or is_hidden else _SHOWN_SD_K)
    recorded = trace.sensor_at(SensorPlace.AMBIENT)
    if ambient is not None:
        mean.append(ambient.degC)
        sd.append(ambient.uncertainty_K)
    elif recorded is not None and len(recorded.value_degC):
        mean.append(float(np.median(recorded.value_degC)))
        sd.append(_RECORDED_SD_K)
    else:
        mean.append(anything)
        sd.append(_AMBIENT_SD_K)
    return np.array(mean), np.array(sd)


def first_noise(sensor: SensorCounts) -> float:
    """Return the noise of a sensor in K, or where the search of it begins."""
    return sensor.noise_K or max(_NOISE_SHARE * sensor.resolution_K, _LEAST_NOISE_K)


def _first_reading(trace: HeatTrace, segment: int, node: Node) -> float | None:
    sensor = trace.sensor_at(SensorPlace(node.value))
    if sensor is None or not len(sensor.step):
        return None
    rows = np.flatnonzero(trace.segment[sensor.step] == segment)
    return float(sensor.value_degC[rows[0]]) if len(rows) else None
