"""What a person reads off at the bench: a mark, a ruler and a scale, each to its division. Pure."""

import math
from typing import Final

import numpy as np

from logger.simulate.commissioning.mounting import ARM_LENGTH_M, GRAVITY_M_S2

__all__ = ["read_mark", "read_ruler", "read_scale"]

_MARK_DIVISION_DEG: Final = 2.0
_RULER_DIVISION_M: Final = 0.0005
_SCALE_DIVISION_KG: Final = 0.01
_EYE_M: Final = 0.0001
"""How far a person's eye is off."""


def read_mark(angle_rad: float) -> str:
    """Return how far the mark on the output has turned, with its unit."""
    degrees = round(math.degrees(angle_rad) / _MARK_DIVISION_DEG) * _MARK_DIVISION_DEG
    return f"{degrees / 360.0:.6g} turn +- {_MARK_DIVISION_DEG / 2.0:g} deg"


def read_ruler(angle_rad: float, zero_m: float, dice: np.random.Generator) -> str:
    """Return what the ruler at the tip of the arm shows, with its unit."""
    seen = zero_m + ARM_LENGTH_M * angle_rad + float(dice.normal(0.0, _EYE_M))
    steps = round(seen / _RULER_DIVISION_M)
    return f"{steps * _RULER_DIVISION_M * 1000.0:.1f} mm"


def read_scale(torque_Nm: float) -> str:  # noqa: N803 - the unit's own spelling
    """Return what the scale under the arm shows, with its unit."""
    steps = round(torque_Nm / (GRAVITY_M_S2 * ARM_LENGTH_M) / _SCALE_DIVISION_KG)
    return f"{steps * _SCALE_DIVISION_KG:.2f} kg"
