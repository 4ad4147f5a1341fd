"""The motion of a geared joint and its drive, step by step. Pure.

Two inertias, motor and output, joined by a gear that carries nothing within its play and is a
spring of two stiffnesses beyond it. Friction is Coulomb's, with its exact implicit step: a motor
that stands does not creep. The drive runs three loops around each other: position, speed, current.

Plain floats in one loop: at 2,000 steps a second one joint costs a few hundredths of a core, and
arrays of one element would cost many times that.
"""
# ruff: noqa: N803, N806 - units are written as units are

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from logger.simulate.commissioning.geared_joint import GearedJoint
from logger.simulate.commissioning.mounting import Mounting

__all__ = ["DYNAMICS_STEP_S", "ControlMode", "MotionState", "SetPoint", "advance_joint"]

DYNAMICS_STEP_S: Final = 0.0005
_CURRENT_LAG_S: Final = 0.0015
"""Time constant of the drive's current loop."""

ControlMode = Literal["off", "torque", "speed", "position"]


@dataclass(frozen=True, slots=True)
class SetPoint:
    """What the controller asks of the drive: N.m, rad/s or rad, as the mode says."""

    mode: ControlMode
    value: float = 0.0


@dataclass(slots=True)
class MotionState:
    """Where the joint is; changed in place by `advance_joint`."""

    motor_rad: float = 0.0
    motor_rad_s: float = 0.0
    output_rad: float = 0.0
    output_rad_s: float = 0.0
    current_A: float = 0.0  # noqa: N815 - the unit's own spelling
    integral_Nm: float = 0.0  # noqa: N815
    gear_Nm: float = 0.0  # noqa: N815
    """What the gear carries: on a clamped output, what the clamp holds."""
    pushed_rad: float = 0.0
    """By how much a hand holds a clamped output off its place."""
    voltage_V: float = 0.0  # noqa: N815
    squared_A2_s: float = 0.0  # noqa: N815
    """Integral of the squared current since somebody set it to zero: what warms the winding."""


def advance_joint(
    state: MotionState,
    joint: GearedJoint,
    mounting: Mounting,
    *,
    steps: int,
    start_s: float,
    setpoint: Callable[[float], SetPoint],
    external_Nm: Callable[[float], float],
    ceiling_share: float,
) -> None:
    """Move the joint on by so many steps.

    Parameters
    ----------
    start_s
        Time of the first step, for `setpoint` and `external_Nm`.
    setpoint
        Time in s -> what is asked for.
    external_Nm
        Time in s -> torque of a hand at the output.
    ceiling_share
        What is left of the current ceilings: the drive lowers them when it is hot.
    """
    dt = DYNAMICS_STEP_S
    per_ampere = joint.torque_per_ampere_Nm
    half_play, knee = 0.5 * joint.play_rad, joint.knee_Nm
    first, second = joint.first_stiffness_Nm_per_rad, joint.second_stiffness_Nm_per_rad
    knee_rad = knee / first
    lag = 1.0 - math.exp(-dt / _CURRENT_LAG_S)
    output_inertia = joint.flange_inertia_kg_m2 + mounting.inertia_kg_m2
    for number in range(steps):
        time_s = start_s + number * dt
        asked = setpoint(time_s)
        current_asked = _drive_current(state, joint, asked, ceiling_share)
        # The supply sags, and the motor's own voltage leaves less of it with speed.
        power_W = (
            per_ampere * state.current_A * state.motor_rad_s
            + joint.winding.resistance_ohm * state.current_A**2
        )
        state.voltage_V = joint.supply_V - joint.supply_ohm * power_W / joint.supply_V
        room_V = state.voltage_V - per_ampere * abs(state.motor_rad_s)
        if current_asked * state.motor_rad_s > 0.0:
            most = max(room_V, 0.0) / joint.phase_ohm
            current_asked = min(max(current_asked, -most), most)
        state.current_A += lag * (current_asked - state.current_A)
        state.squared_A2_s += dt * state.current_A**2

        twist = state.motor_rad - state.output_rad
        beyond_play = abs(twist) - half_play
        if beyond_play <= 0.0:
            gear = 0.0
        else:
            gear = (
                first * beyond_play
                if beyond_play < knee_rad
                else knee + second * (beyond_play - knee_rad)
            )
            gear = math.copysign(gear, twist)
            gear += joint.gear_damping_Nm_s * (state.motor_rad_s - state.output_rad_s)
        state.gear_Nm = gear

        speed = state.motor_rad_s
        own = joint.forward_friction_Nm if speed >= 0.0 else joint.backward_friction_Nm
        if speed == 0.0:
            drive = per_ampere * state.current_A - gear
            own = joint.forward_friction_Nm if drive > 0.0 else joint.backward_friction_Nm
        own *= 1.0 + joint.sticking_share * math.exp(-abs(speed) / joint.sticking_speed_rad_s)
        friction = own + joint.load_friction_share * abs(gear)
        torque = per_ampere * state.current_A - gear - joint.viscous_friction_Nm_s * speed
        speed += dt * torque / joint.motor_inertia_kg_m2
        held = dt * friction / joint.motor_inertia_kg_m2
        speed = math.copysign(max(abs(speed) - held, 0.0), speed)
        state.motor_rad_s = speed
        state.motor_rad += dt * speed

        if mounting.is_clamped:
            state.output_rad_s = 0.0
            pushed = external_Nm(time_s) / mounting.gives_Nm_per_rad
            state.output_rad += pushed - state.pushed_rad
            state.pushed_rad = pushed
            continue
        load = mounting.gravity_Nm * math.sin(state.output_rad) - external_Nm(time_s)
        state.output_rad_s += dt * (gear - load) / output_inertia
        state.output_rad += dt * state.output_rad_s


def _drive_current(
    state: MotionState, joint: GearedJoint, asked: SetPoint, ceiling_share: float
) -> float:
    """Return the current that the drive asks of its bridge."""
    if asked.mode == "off":
        state.integral_Nm = 0.0
        return 0.0
    assumed = joint.assumed_per_ampere_Nm
    ceiling = joint.current_limits_A[asked.mode] * ceiling_share
    if asked.mode == "torque":
        wanted = asked.value / assumed
        state.integral_Nm = 0.0
        return min(max(wanted, -ceiling), ceiling)
    speed = asked.value
    if asked.mode == "position":
        speed = joint.position_gain_per_s * (asked.value - state.motor_rad)
        speed = min(max(speed, -joint.speed_limit_rad_s), joint.speed_limit_rad_s)
    error = speed - state.motor_rad_s
    wanted = (joint.speed_gain_Nm_s * error + state.integral_Nm) / assumed
    limited = min(max(wanted, -ceiling), ceiling)
    if limited == wanted:  # the integral waits at the ceiling: it would only wind up
        state.integral_Nm += DYNAMICS_STEP_S * joint.speed_integral_Nm * error
    return limited
