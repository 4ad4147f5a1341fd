"""What the output is mounted to. Pure data."""
# ruff: noqa: N815 - units are written as units are

from dataclasses import dataclass
from typing import Final

__all__ = [
    "ARM",
    "ARM_LENGTH_M",
    "CLAMPED",
    "FREE",
    "GRAVITY_M_S2",
    "LONG_ARM",
    "ON_SCALE",
    "Mounting",
]

GRAVITY_M_S2: Final = 9.80665
ARM_LENGTH_M: Final = 0.344
"""From the axis to where ruler and scale are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounting:
    """What turns with the output, and whether it is held."""

    inertia_kg_m2: float = 0.0
    gravity_Nm: float = 0.0
    """Torque of the weight with the arm level; zero of the position is hanging down."""
    bends_Nm_per_rad: float = float("inf")
    """How the arm itself bends under a force at its tip."""
    is_clamped: bool = False
    gives_Nm_per_rad: float = float("inf")
    """How what it is clamped to gives under a hand."""


FREE: Final = Mounting()
ARM: Final = Mounting(inertia_kg_m2=0.09, gravity_Nm=0.0, bends_Nm_per_rad=18_000.0)
"""A short stiff arm, balanced: for ruler and hand."""
LONG_ARM: Final = Mounting(inertia_kg_m2=0.85, gravity_Nm=7.4)
"""What the joint was not tuned for."""
CLAMPED: Final = Mounting(is_clamped=True)
ON_SCALE: Final = Mounting(is_clamped=True, gives_Nm_per_rad=20_000.0)
"""An arm that presses on a scale, whose plate gives a little."""
