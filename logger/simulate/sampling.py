"""What a joint would report: the state of the simulation as its sensors and its drive see it.

Positions, speeds and currents are those of the drive's last control step, one millisecond at most
before the answer. Noise is about one count of each sensor; temperatures are read in whole degrees
by the layout, with a little less noise than that. The random generator comes in; pure otherwise.
"""
# ruff: noqa: N806 - units are written as units are

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.simulate.arm import ARM
from logger.simulate.cycle import CYCLE_S, STEP_S, STEPS, Trajectory, cycle_trajectory
from logger.simulate.endurance import CycleRun
from logger.simulate.warming import HEAT_STEP_S, HEAT_STEPS

__all__ = ["CHANNELS_OF", "FOLDED_BACK", "sensor_values"]

SensorValues = dict[str, Floats]

FOLDED_BACK: Final = 1
"""Fault code: the drive is hot and holds back current."""

SUPPLY_V: Final = 48.3
SUPPLY_OHM: Final = 0.6
"""Of supply and long leads: the voltage sags when the joints pull, and rises when they brake."""

POSITION_NOISE_RAD: Final = 1.2e-5
SPEED_NOISE_RAD_S: Final = 1.2e-3
CURRENT_NOISE_A: Final = 0.012
VOLTAGE_NOISE_V: Final = 0.01
TEMPERATURE_NOISE_K: Final = 0.15

CHANNELS_OF: Final = {
    "motion": ("position_rad", "speed_rad_s", "current_A"),
    "set-points": ("position_setpoint_rad", "torque_setpoint_Nm"),
    "health": (
        "temperature_housing_degC",
        "temperature_drive_degC",
        "voltage_V",
        "fault_code",
    ),
}
"""Kind of frame -> the channels that `sensor_values` answers with."""

_REFERENCE: Final[Trajectory] = cycle_trajectory()


def sensor_values(
    cycle_run: CycleRun, *, joint: int, kind: str, time_s: Floats, rng: np.random.Generator
) -> SensorValues:
    """Return the channels of one kind of frame of one joint, each of shape (n,).

    Parameters
    ----------
    cycle_run
        Cycles that contain every instant of `time_s`.
    joint
        Its place in the arm: 0 shoulder, 1 elbow.
    kind
        "motion", "set-points" or "health".
    time_s
        Instants in seconds of the run, shape (n,).
    rng
        Draws the sensors' noise.
    """
    within = time_s - cycle_run.start_s
    cycle = np.clip((within / CYCLE_S).astype(np.intp), 0, cycle_run.count - 1)
    step = np.clip(((within - cycle * CYCLE_S) / STEP_S).astype(np.intp), 0, STEPS - 1)
    if kind == "motion":
        return _motion_values(cycle_run, joint, cycle, step, rng)
    if kind == "set-points":
        return {
            "position_setpoint_rad": _REFERENCE.setpoint_rad[step, joint],
            "torque_setpoint_Nm": cycle_run.motion.demand_Nm[step, joint, cycle],
        }
    return _health_values(cycle_run, joint, cycle, step, rng)


def _motion_values(
    cycle_run: CycleRun,
    joint: int,
    cycle: NDArray[np.intp],
    step: NDArray[np.intp],
    rng: np.random.Generator,
) -> SensorValues:
    noise = rng.standard_normal((3, len(step)))
    motion = cycle_run.motion
    return {
        "position_rad": motion.position_rad[step, joint, cycle] + POSITION_NOISE_RAD * noise[0],
        "speed_rad_s": motion.speed_rad_s[step, joint, cycle] + SPEED_NOISE_RAD_S * noise[1],
        "current_A": motion.current_A[step, joint, cycle] + CURRENT_NOISE_A * noise[2],
    }


def _health_values(
    cycle_run: CycleRun,
    joint: int,
    cycle: NDArray[np.intp],
    step: NDArray[np.intp],
    rng: np.random.Generator,
) -> SensorValues:
    noise = rng.standard_normal((3, len(step)))
    window = cycle * HEAT_STEPS + (step * (STEP_S / HEAT_STEP_S)).astype(np.intp)
    fault = FOLDED_BACK if cycle_run.folded[joint] else 0
    return {
        "temperature_housing_degC": cycle_run.housing_degC[joint, window]
        + TEMPERATURE_NOISE_K * noise[0],
        "temperature_drive_degC": cycle_run.drive_degC[joint, window]
        + TEMPERATURE_NOISE_K * noise[1],
        "voltage_V": _voltage_V(cycle_run, cycle, step) + VOLTAGE_NOISE_V * noise[2],
        "fault_code": np.full(len(step), float(fault)),
    }


def _voltage_V(  # noqa: N802 - the V is a unit's
    cycle_run: CycleRun, cycle: NDArray[np.intp], step: NDArray[np.intp]
) -> Floats:
    """Return the voltage at the drives: the source less what its resistance takes.

    The power of a joint is what its motor gives mechanically, its copper loss at a warm resistance,
    and its electronics; braking gives some back.
    """
    power_W = np.zeros(len(step))
    for index, joint in enumerate(ARM):
        current = cycle_run.motion.current_A[step, index, cycle]
        speed = cycle_run.motion.speed_rad_s[step, index, cycle]
        power_W += joint.torque_per_ampere_Nm * current * speed
        power_W += 1.2 * joint.winding.resistance_ohm * current**2
        power_W += joint.drive_idle_W + joint.drive_W_per_A * np.abs(current)
    return SUPPLY_V - SUPPLY_OHM * power_W / SUPPLY_V
