"""The endurance test: stretches of duty cycles, each with its motion and its warmth.

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
from numpy.typing import NDArray

from logger.simulate.arm import ARM
from logger.simulate.cycle import CYCLE_S, STEPS, payloads_kg
from logger.simulate.motion import Motion, nothing, run
from logger.simulate.warming import (
    WINDOWS,
    Fan,
    Warmth,
    at_ambient,
    current_share,
    settled_with_fan,
    warm_cycle,
    watch,
)

__all__ = ["Progress", "Stretch", "cold", "stretch", "warm"]

Floats = NDArray[np.float64]

LIMITS_A: Final = np.array([joint.current_limit_A for joint in ARM])


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where the test stands between two cycles."""

    cycle: int
    warmth: tuple[Warmth, ...]
    fan: Fan


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
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
    def begins_s(self) -> float:
        """Seconds of the run at which it begins."""
        return self.first_cycle * CYCLE_S

    @property
    def ends_s(self) -> float:
        """Seconds of the run at which it ends."""
        return (self.first_cycle + self.count) * CYCLE_S


def cold(fan: Fan) -> Progress:
    """Return the beginning of a test of joints at ambient temperature."""
    return Progress(cycle=0, warmth=at_ambient(), fan=fan)


def warm(fan: Fan) -> Progress:
    """Return the beginning of a test of joints that have worked for hours, the fan running."""
    return Progress(cycle=0, warmth=settled_with_fan(_ordinary_rms_A()), fan=fan)


@functools.cache
def _ordinary_rms_A() -> tuple[float, ...]:  # noqa: N802 - the A is a unit's
    """Return the RMS currents of the test's ordinary run: the payloads of one group of cycles."""
    current = run(payload_kg=payloads_kg(0, 48, seed=0), current_limit_A=LIMITS_A).current_A
    return tuple(math.sqrt(float(value)) for value in np.mean(current**2, axis=(0, 2)))


def stretch(
    progress: Progress,
    *,
    most: int,
    seed: int,
    between: Callable[[], None] = nothing,
) -> tuple[Stretch, Progress]:
    """Return the next cycles, at least one and at most `most`, and where the test stands then."""
    shares = _shares(progress.warmth)
    motion = run(
        payload_kg=payloads_kg(progress.cycle, most, seed=seed),
        current_limit_A=LIMITS_A * shares,
        between=between,
    )
    windows = motion.current_A.reshape(WINDOWS, STEPS // WINDOWS, len(ARM), most)
    # (WINDOWS, 2, n) -> (2, n, WINDOWS)
    squared = np.einsum("wsjn,wsjn->jnw", windows, windows) / (STEPS // WINDOWS)
    between()
    magnitude = np.abs(windows).mean(axis=1).transpose(1, 2, 0)
    between()

    temperatures = []
    fans = []
    warmth, fan, cycle = progress.warmth, progress.fan, progress.cycle
    for index in range(most):
        if index and _shares(warmth) != shares:
            break
        fan = watch(fan, now_s=cycle * CYCLE_S, housing_degC=warmth[0].housing_degC)
        within, warmth = warm_cycle(
            warmth,
            squared_current_A2=squared[:, index],
            current_magnitude_A=magnitude[:, index],
            fan_running=fan.running,
        )
        temperatures.append(within)
        fans.append(fan.running)
        cycle += 1
        between()
    count = len(temperatures)
    done = Stretch(
        first_cycle=progress.cycle,
        motion=Motion(
            position_rad=motion.position_rad[:, :, :count],
            speed_rad_s=motion.speed_rad_s[:, :, :count],
            current_A=motion.current_A[:, :, :count],
            demand_Nm=motion.demand_Nm[:, :, :count],
        ),
        winding_degC=np.concatenate([part.winding_degC for part in temperatures], axis=1),
        housing_degC=np.concatenate([part.housing_degC for part in temperatures], axis=1),
        drive_degC=np.concatenate([part.drive_degC for part in temperatures], axis=1),
        folded=tuple(share < 1.0 for share in shares),
        fan_running=tuple(fans),
    )
    return done, Progress(cycle=cycle, warmth=warmth, fan=fan)


def _shares(warmth: tuple[Warmth, ...]) -> tuple[float, ...]:
    return tuple(current_share(joint.housing_degC) for joint in warmth)
