"""The invented harvesting arm: two joints, what they weigh, and how warm they get.

The upper arm stands at the shoulder angle above the horizontal; the elbow angle is the one between
upper arm and forearm, so the forearm points shoulder + elbow - 180 degrees above it. All figures
are at the output side of the gear and are made up: no real joint has them. Pure data.
"""
# ruff: noqa: N802, N815 - units are written as units are

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_model import TwoNode, Winding

__all__ = ["ARM", "ELBOW", "SHOULDER", "JointModel", "gravity_Nm", "joint_column"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointModel:
    """One joint: mechanics, drive and heat."""

    name: str
    torque_per_ampere_Nm: float
    current_limit_A: float
    """The drive gives no more than this, whatever its controller asks for."""
    inertia_kg_m2: float
    """Rotor at the output and the arm without payload; the joints are not coupled."""
    inertia_per_payload_m2: float
    gravity_Nm: float
    """What the arm without payload asks for when its lever is horizontal."""
    gravity_per_payload_Nm: float
    """The same for each kilogram in the hand."""
    coulomb_friction_Nm: float
    viscous_friction_Nm_s: float
    stiffness_Nm: float
    """Controller: torque for each radian of position error."""
    damping_Nm_s: float
    """Controller: torque for each rad/s of speed error."""
    integral_Nm_per_s: float
    """Controller: torque for each radian and second of position error."""
    winding: Winding
    """Such that I^2 R is the loss of all phases for the current that the drive reports."""
    cooled: TwoNode
    """With the fan."""
    uncooled: TwoNode
    """Without it."""
    drive_W_per_A: float
    """Loss of the drive's electronics for each ampere."""
    drive_idle_W: float
    drive_housing_K_per_W: float
    drive_ambient_K_per_W: float
    drive_J_per_K: float


SHOULDER: Final = JointModel(
    name="shoulder",
    torque_per_ampere_Nm=1.62,
    current_limit_A=11.0,
    inertia_kg_m2=1.0,
    inertia_per_payload_m2=0.16,
    gravity_Nm=8.3,
    gravity_per_payload_Nm=2.7,
    coulomb_friction_Nm=0.7,
    viscous_friction_Nm_s=0.35,
    stiffness_Nm=640.0,
    damping_Nm_s=52.0,
    integral_Nm_per_s=2500.0,
    winding=Winding(resistance_ohm=0.64),
    cooled=TwoNode(
        winding_housing_K_per_W=0.72,
        winding_J_per_K=45.0,
        housing_ambient_K_per_W=1.66,
        housing_J_per_K=310.0,
    ),
    uncooled=TwoNode(
        winding_housing_K_per_W=0.72,
        winding_J_per_K=45.0,
        housing_ambient_K_per_W=5.3,
        housing_J_per_K=310.0,
    ),
    drive_W_per_A=0.55,
    drive_idle_W=1.2,
    drive_housing_K_per_W=2.4,
    drive_ambient_K_per_W=4.5,
    drive_J_per_K=38.0,
)

ELBOW: Final = JointModel(
    name="elbow",
    torque_per_ampere_Nm=0.85,
    current_limit_A=10.0,
    inertia_kg_m2=0.55,
    inertia_per_payload_m2=0.1,
    gravity_Nm=3.8,
    gravity_per_payload_Nm=3.2,
    coulomb_friction_Nm=0.45,
    viscous_friction_Nm_s=0.2,
    stiffness_Nm=340.0,
    damping_Nm_s=28.0,
    integral_Nm_per_s=1300.0,
    winding=Winding(resistance_ohm=1.6),
    cooled=TwoNode(
        winding_housing_K_per_W=1.1,
        winding_J_per_K=24.0,
        housing_ambient_K_per_W=2.6,
        housing_J_per_K=210.0,
    ),
    uncooled=TwoNode(
        winding_housing_K_per_W=1.1,
        winding_J_per_K=24.0,
        housing_ambient_K_per_W=4.4,
        housing_J_per_K=210.0,
    ),
    drive_W_per_A=0.55,
    drive_idle_W=1.2,
    drive_housing_K_per_W=3.0,
    drive_ambient_K_per_W=5.0,
    drive_J_per_K=30.0,
)

ARM: Final = (SHOULDER, ELBOW)
"""The joints, in the order of every array here."""


def joint_column(figure: Callable[[JointModel], float]) -> Floats:
    """Return one figure of both joints in the shape (2, 1), to broadcast with (2, n) cycles."""
    return np.array([[figure(joint)] for joint in ARM])


_GRAVITY: Final = joint_column(lambda joint: joint.gravity_Nm)
_GRAVITY_PER_PAYLOAD: Final = joint_column(lambda joint: joint.gravity_per_payload_Nm)


def gravity_Nm(position_rad: Floats, payload_kg: Floats | float) -> Floats:
    """Return the torque that holds the arm still, in the shape (2, n) of `position_rad`.

    The elbow holds the forearm; the shoulder holds the upper arm, with everything beyond the elbow
    as a weight at its end, and the elbow's torque on top.
    """
    level = np.array([position_rad[0], position_rad[0] + position_rad[1] - math.pi])
    own = (_GRAVITY + _GRAVITY_PER_PAYLOAD * payload_kg) * np.cos(level)
    own[0] += own[1]
    return np.asarray(own)
