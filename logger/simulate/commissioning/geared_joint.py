"""The joint on the bench: what it is made of. Pure data; all figures are made up.

All angles, speeds and torques are those of the output side of the gear.
"""
# ruff: noqa: N815 - units are written as units are

import math
from dataclasses import dataclass
from typing import Final

from logger.joint.thermal.thermal_model import TwoNode, Winding

__all__ = ["BENCH_JOINT", "GearedJoint"]

ARCMIN_RAD: Final = math.pi / (180.0 * 60.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class GearedJoint:
    """One geared joint with its drive."""

    name: str
    gear_ratio: float
    torque_per_ampere_Nm: float
    """What it gives."""
    assumed_per_ampere_Nm: float
    """What its drive and the bench file take it to be."""
    motor_inertia_kg_m2: float
    flange_inertia_kg_m2: float
    play_rad: float
    """The whole of it."""
    first_stiffness_Nm_per_rad: float
    second_stiffness_Nm_per_rad: float
    knee_Nm: float
    """Torque beyond which the second stiffness holds."""
    gear_damping_Nm_s: float
    forward_friction_Nm: float
    backward_friction_Nm: float
    viscous_friction_Nm_s: float
    sticking_share: float
    """So much more friction when it stands, fading with speed."""
    sticking_speed_rad_s: float
    load_friction_share: float
    """Friction for each N.m that the gear carries: one less its efficiency."""
    current_limits_A: dict[str, float]
    """Ceiling of the current in each control mode."""
    speed_limit_rad_s: float
    """The fastest that the position mode asks of the speed loop."""
    position_gain_per_s: float
    speed_gain_Nm_s: float
    """Torque for each rad/s that is missing."""
    speed_integral_Nm: float
    """Torque for each radian that was missing."""
    supply_V: float
    supply_ohm: float
    phase_ohm: float
    """Between the supply and the motor's own voltage: with that it sets the highest speed."""
    winding: Winding
    network: TwoNode
    drive_K_per_W: float
    drive_J_per_K: float
    derates_from_degC: float
    """Winding from which the drive lowers its ceiling, by `derating_per_K` of it."""
    derating_per_K: float


BENCH_JOINT: Final = GearedJoint(
    name="wrist",
    gear_ratio=36.0,
    torque_per_ampere_Nm=1.55,
    assumed_per_ampere_Nm=1.62,
    motor_inertia_kg_m2=0.11,
    flange_inertia_kg_m2=0.045,
    play_rad=7.0 * ARCMIN_RAD,
    first_stiffness_Nm_per_rad=3.5 / ARCMIN_RAD,
    second_stiffness_Nm_per_rad=6.0 / ARCMIN_RAD,
    knee_Nm=5.0,
    gear_damping_Nm_s=6.0,
    forward_friction_Nm=0.42,
    backward_friction_Nm=0.36,
    viscous_friction_Nm_s=0.11,
    sticking_share=0.25,
    sticking_speed_rad_s=0.04,
    load_friction_share=0.05,
    current_limits_A={"torque": 12.0, "speed": 8.0, "position": 12.0},
    speed_limit_rad_s=5.0,
    position_gain_per_s=12.0,
    speed_gain_Nm_s=3.4,
    speed_integral_Nm=12.0,
    supply_V=24.2,
    supply_ohm=0.12,
    phase_ohm=0.28,
    winding=Winding(resistance_ohm=0.42),
    network=TwoNode(
        winding_housing_K_per_W=0.85,
        winding_J_per_K=32.0,
        housing_ambient_K_per_W=1.9,
        housing_J_per_K=240.0,
    ),
    drive_K_per_W=3.2,
    drive_J_per_K=36.0,
    derates_from_degC=75.0,
    derating_per_K=0.02,
)
"""Its drive takes 1.62 N.m/A for what is 1.55: the torque that it reports is 4.5 % high."""
