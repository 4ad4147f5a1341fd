"""The dynamics: motor, gear, load and drive, many duty cycles side by side at 1 kHz.

Every cycle begins at rest in the same pose, so n cycles are n columns of one calculation. Friction
is true Coulomb friction (a joint can stick), and the drive's current limit is a limit: where the
controller asks for more, the torque saturates and the arm lags. Pure.
"""
# ruff: noqa: N803, N815 - units are written as units are

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.arrays import Floats
from logger.simulate.arm import ARM, gravity_Nm, joint_column
from logger.simulate.cycle import (
    GRIP_S,
    RELEASE_S,
    STEP_S,
    STEPS,
    Trajectory,
    cycle_trajectory,
)

__all__ = ["Motion", "no_op", "run_cycles"]


CURRENT_LAG_S = 0.002
"""Time constant of the drive's current loop."""
STEPS_PER_CALLBACK = 64
"""Steps between two calls of `between`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """What happened; every array has the shape (STEPS, 2, n): time, joint, cycle."""

    position_rad: Floats
    speed_rad_s: Floats
    current_A: Floats
    demand_Nm: Floats
    """What the controller asks for, before the current limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ControlState:
    position_rad: Floats
    speed_rad_s: Floats
    current_A: Floats
    integral_Nm: Floats


def no_op() -> None:
    """Do nothing: the default of `between`."""


def run_cycles(
    *,
    payload_kg: Floats,
    current_limit_A: Floats,
    between: Callable[[], None] = no_op,
) -> Motion:
    """Return the motion of n cycles.

    Parameters
    ----------
    payload_kg
        Mass in the hand between grip and release, shape (n,).
    current_limit_A
        The limit of each drive, shape (2,).
    between
        Called every few milliseconds of work, so that a caller with one thread stays responsive.
    """
    initial_state = _settled_state()
    n = len(payload_kg)
    start = _ControlState(
        position_rad=np.repeat(initial_state.position_rad, n, axis=1),
        speed_rad_s=np.repeat(initial_state.speed_rad_s, n, axis=1),
        current_A=np.repeat(initial_state.current_A, n, axis=1),
        integral_Nm=np.repeat(initial_state.integral_Nm, n, axis=1),
    )
    return _run_steps(start, payload_kg, current_limit_A[:, None], between)[0]


@functools.cache
def _cached_trajectory() -> Trajectory:
    return cycle_trajectory()


@functools.cache
def _settled_state() -> _ControlState:
    """Return the state at the end of an ordinary cycle, where the next one begins.

    Friction and the controller's integral remember how the arm came to rest, so the pose alone is
    not enough.
    """
    position = _cached_trajectory().position_rad[0][:, None].copy()
    torque = gravity_Nm(position, 0.0)
    per_ampere = joint_column(lambda joint: joint.torque_per_ampere_Nm)
    limit = joint_column(lambda joint: joint.current_limit_A)
    state = _ControlState(
        position_rad=position,
        speed_rad_s=np.zeros((2, 1)),
        current_A=torque / per_ampere,
        integral_Nm=np.zeros((2, 1)),
    )
    return _run_steps(state, np.array([0.3]), limit, no_op)[1]


def _run_steps(
    start: _ControlState, payload_kg: Floats, limit: Floats, between: Callable[[], None]
) -> tuple[Motion, _ControlState]:
    """Step through one cycle; the heart of the simulation.

    Semi-implicit Euler, with Coulomb friction as the exact implicit step: the speed is drawn to
    zero by at most dt * friction / inertia and stops there, so a stuck joint does not move at all.
    """
    ref = _cached_trajectory()
    per_ampere = joint_column(lambda joint: joint.torque_per_ampere_Nm)
    stiffness = joint_column(lambda joint: joint.stiffness_Nm)
    damping = joint_column(lambda joint: joint.damping_Nm_s)
    integral_step = joint_column(lambda joint: joint.integral_Nm_per_s) * STEP_S
    viscous = joint_column(lambda joint: joint.viscous_friction_Nm_s)
    inertia_empty = joint_column(lambda joint: joint.inertia_kg_m2)
    # The drive knows the arm that it moves, but not what is in the hand.
    feedforward_torque = np.ascontiguousarray(
        ref.acceleration_rad_s2.T * inertia_empty + gravity_Nm(ref.position_rad.T, 0.0)
    ).T[:, :, None]
    target_position = ref.position_rad[:, :, None]
    target_speed = ref.speed_rad_s[:, :, None]
    lag = 1.0 - np.exp(-STEP_S / CURRENT_LAG_S)

    n = len(payload_kg)
    out = np.empty((4, STEPS, len(ARM), n))
    position, speed = start.position_rad.copy(), start.speed_rad_s.copy()
    current, integral = start.current_A.copy(), start.integral_Nm.copy()
    grip, release = round(GRIP_S / STEP_S), round(RELEASE_S / STEP_S)
    for first, last, mass in (
        (0, grip, np.zeros(n)),
        (grip, release, payload_kg),
        (release, STEPS, np.zeros(n)),
    ):
        inertia = inertia_empty + joint_column(lambda joint: joint.inertia_per_payload_m2) * mass
        gain = STEP_S / inertia
        stick = gain * joint_column(lambda joint: joint.coulomb_friction_Nm)
        for k in range(first, last):
            error = target_position[k] - position
            demand = stiffness * error
            demand += damping * (target_speed[k] - speed)
            demand += feedforward_torque[k]
            demand += integral
            requested = demand / per_ampere
            limited_current = np.minimum(np.maximum(requested, -limit), limit)
            # The integral waits while the drive is at its limit: it would only wind up.
            integral += integral_step * error * (limited_current == requested)
            current += lag * (limited_current - current)
            torque = per_ampere * current
            torque -= gravity_Nm(position, mass)
            torque -= viscous * speed
            speed += gain * torque
            speed = np.sign(speed) * np.maximum(np.abs(speed) - stick, 0.0)
            position += STEP_S * speed
            out[0, k], out[1, k], out[2, k], out[3, k] = position, speed, current, demand
            if k % STEPS_PER_CALLBACK == 0:
                between()
    motion = Motion(position_rad=out[0], speed_rad_s=out[1], current_A=out[2], demand_Nm=out[3])
    end = _ControlState(
        position_rad=position, speed_rad_s=speed, current_A=current, integral_Nm=integral
    )
    return motion, end
