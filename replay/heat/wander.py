"""What readings tell together: many fine ones no more than a sensor's own wander allows. Pure."""
# ruff: noqa: N803 - units are written as units are: K is a capital

from dataclasses import replace
from typing import Final

import numpy as np

from replay.heat.counts import expected_information
from replay.heat.trace import SensorCounts

__all__ = ["with_wander"]

WANDER_K: Final = 0.02
WANDER_S: Final = 120.0
"""What no sensor tells better within that time, however often it is read: its place, its own heat,
and a load that was sampled are never those of the model."""


def with_wander(sensor: SensorCounts, *, recorded_s: float, noise_K: float) -> SensorCounts:
    """Return a sensor whose readings count for less where they are many and fine.

    Together those of `WANDER_S` tell no more than one reading with an error of `WANDER_K`.
    """
    phases = np.linspace(-0.5, 0.5, 21) * sensor.resolution_K
    each = expected_information(
        np.zeros(len(phases)), phases, resolution_K=sensor.resolution_K, noise_K=noise_K
    )
    together = float(sensor.n.sum()) * WANDER_S / recorded_s * float(each.temperature.mean())
    return replace(sensor, n=sensor.n / (1.0 + together * WANDER_K**2))
