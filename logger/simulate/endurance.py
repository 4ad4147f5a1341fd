"""The endurance test: runs of duty cycles, each with its motion and its temperatures.

One code path for the live joints and for tests in simulated time. Many cycles are stepped side by
side under the current limit that the drives have at the beginning; their heat follows one by one,
and where a drive would have changed its limit, the stretch ends there. So a cycle comes out the
same, however long the stretches are asked to be. Pure.
"""

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.simulate.arm import ARM
from logger.simulate.cycle import CYCLE_S, STEPS, payloads_kg
from logger.simulate.motion import Motion, no_op, run_cycles
from logger.simulate.warming import (
    HEAT_STEPS,
    Fan,
    JointTemperatures,
    ambient_temperatures,
    current_share,
    cycle_temperatures,
    fan_step,
    settled_temperatures,
)

__all__ = ["CycleRun", "EnduranceProgress", "cold_start", "next_cycles", "warm_start"]


CURRENT_LIMITS_A: Final = np.array([joint.current_limit_A for joint in ARM])


@dataclass(frozen=True, slots=True, kw_only=True)
class EnduranceProgress:
    """The state of the test between two cycles."""

    cycle: int
    joint_temperatures: tuple[JointTemperatures, ...]
    fan: Fan


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleRun:
    """n cycles in a row."""

    first_cycle: int
    motion: Motion
    """Arrays of shape (STEPS, 2, n)."""
    winding_degC: Floats  # noqa: N815 - the C is a unit's
    """Temperatures: shape (2, n * WINDOWS)."""
    housing_degC: Floats  # noqa: N815
    drive_degC: Floats  # noqa: N815
    folded: tuple[bool, ...]
    """For each joint: does its drive hold back current because it is hot?"""
    fan_running: tuple[bool, ...]
    """For each cycle."""

    @property
    def count(self) -> int:
        """Number of cycles."""
        return len(self.fan_running)

    @property
    def start_s(self) -> float:
        """Seconds of the run at which it begins."""
        return self.first_cycle * CYCLE_S

    @property
    def end_s(self) -> float:
        """Seconds of the run at which it ends."""
        return (self.first_cycle + self.count) * CYCLE_S


def cold_start(fan: Fan) -> EnduranceProgress:
    """Return the beginning of a test of joints at ambient temperature."""
    return EnduranceProgress(cycle=0, joint_temperatures=ambient_temperatures(), fan=fan)


def warm_start(fan: Fan) -> EnduranceProgress:
    """Return the beginning of a test of joints that have worked for hours, the fan running."""
    return EnduranceProgress(
        cycle=0, joint_temperatures=settled_temperatures(_ordinary_rms_A()), fan=fan
    )


@functools.cache
def _ordinary_rms_A() -> tuple[float, ...]:  # noqa: N802 - the A is a unit's
    """Return the RMS currents of the test's ordinary run: the payloads of one group of cycles."""
    current = run_cycles(
        payload_kg=payloads_kg(0, 48, seed=0), current_limit_A=CURRENT_LIMITS_A
    ).current_A
    return tuple(math.sqrt(float(value)) for value in np.mean(current**2, axis=(0, 2)))


def next_cycles(
    progress: EnduranceProgress,
    *,
    max_cycles: int,
    seed: int,
    between: Callable[[], None] = no_op,
) -> tuple[CycleRun, EnduranceProgress]:
    """Return the next cycles, one to `max_cycles`, and the progress after them."""
    shares = _current_shares(progress.joint_temperatures)
    motion = run_cycles(
        payload_kg=payloads_kg(progress.cycle, max_cycles, seed=seed),
        current_limit_A=CURRENT_LIMITS_A * shares,
        between=between,
    )
    windows = motion.current_A.reshape(HEAT_STEPS, STEPS // HEAT_STEPS, len(ARM), max_cycles)
    # (WINDOWS, 2, n) -> (2, n, WINDOWS)
    squared = np.einsum("wsjn,wsjn->jnw", windows, windows) / (STEPS // HEAT_STEPS)
    between()
    magnitude = np.abs(windows).mean(axis=1).transpose(1, 2, 0)
    between()

    temperatures = []
    fans = []
    temperatures_now, fan, cycle = progress.joint_temperatures, progress.fan, progress.cycle
    for index in range(max_cycles):
        if index and _current_shares(temperatures_now) != shares:
            break
        fan = fan_step(fan, now_s=cycle * CYCLE_S, housing_degC=temperatures_now[0].housing_degC)
        within, temperatures_now = cycle_temperatures(
            temperatures_now,
            squared_current_A2=squared[:, index],
            current_magnitude_A=magnitude[:, index],
            fan_running=fan.running,
        )
        temperatures.append(within)
        fans.append(fan.running)
        cycle += 1
        between()
    count = len(temperatures)
    cycle_run = CycleRun(
        first_cycle=progress.cycle,
        motion=Motion(
            position_rad=motion.position_rad[:, :, :count],
            speed_rad_s=motion.speed_rad_s[:, :, :count],
            current_A=motion.current_A[:, :, :count],
            demand_Nm=motion.demand_Nm[:, :, :count],
        ),
        winding_degC=np.concatenate(
            [cycle_part.winding_degC for cycle_part in temperatures], axis=1
        ),
        housing_degC=np.concatenate(
            [cycle_part.housing_degC for cycle_part in temperatures], axis=1
        ),
        drive_degC=np.concatenate([cycle_part.drive_degC for cycle_part in temperatures], axis=1),
        folded=tuple(share < 1.0 for share in shares),
        fan_running=tuple(fans),
    )
    return cycle_run, EnduranceProgress(cycle=cycle, joint_temperatures=temperatures_now, fan=fan)


def _current_shares(joint_temperatures: tuple[JointTemperatures, ...]) -> tuple[float, ...]:
    return tuple(current_share(joint.housing_degC) for joint in joint_temperatures)
