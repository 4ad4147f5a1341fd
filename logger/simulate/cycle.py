"""The duty cycle: set-points of the arm for eight seconds, repeated.

The drives are given steps of position and turn each into a smooth move of their own. Every cycle
begins and ends at rest in the same pose, so cycles can be worked out side by side. Payloads come
from a seed and the cycle's number alone, in any order of cycles. Pure.
"""
# ruff: noqa: N806 - units are written as units are

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = [
    "CYCLE_S",
    "GRIP_S",
    "RELEASE_S",
    "STEPS",
    "STEP_S",
    "Trajectory",
    "cycle_trajectory",
    "payloads_kg",
]


CYCLE_S: Final = 8.0
STEP_S: Final = 0.001
STEPS: Final = 8000
"""Steps in a cycle: the drives' controllers run at 1 kHz."""

GRIP_S: Final = 1.6
"""When in the cycle the hand closes."""
RELEASE_S: Final = 5.85
"""When it opens again."""

GROUP_CYCLES: Final = 450
"""Cycles among which one run of heavy payloads lies: an hour's."""
EARLIEST, LATEST = 16, 56
"""Where in its hour the run begins: soon, so that a user who has just started sees it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One move of one joint within the cycle."""

    begins_s: float
    lasts_s: float
    to_deg: float


_REST_DEG: Final = (29.0, 54.0)

_MOVES: Final = (
    (
        Move(begins_s=0.4, lasts_s=0.8, to_deg=10.0),
        Move(begins_s=1.85, lasts_s=2.0, to_deg=76.0),
        Move(begins_s=3.95, lasts_s=1.5, to_deg=10.0),
        Move(begins_s=6.05, lasts_s=0.8, to_deg=29.0),
    ),
    (
        Move(begins_s=0.2, lasts_s=1.25, to_deg=105.0),
        Move(begins_s=1.95, lasts_s=1.6, to_deg=38.0),
        Move(begins_s=4.05, lasts_s=1.35, to_deg=98.0),
        Move(begins_s=6.2, lasts_s=1.0, to_deg=54.0),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trajectory:
    """What the drives are to follow; every array has the shape (STEPS, 2): shoulder, elbow."""

    setpoint_rad: Floats
    """The steps that they are sent."""
    position_rad: Floats
    speed_rad_s: Floats
    acceleration_rad_s2: Floats


def cycle_trajectory() -> Trajectory:
    """Return the moves of one cycle, sampled at every step.

    Each move is the fifth-order polynomial 10 s^3 - 15 s^4 + 6 s^5, which begins and ends without
    speed and acceleration (minimum jerk; Flash and Hogan 1985, cited from memory).
    """
    time_s = np.arange(STEPS) * STEP_S
    arrays = np.zeros((4, STEPS, 2))
    for joint, moves in enumerate(_MOVES):
        position_deg = math.radians(_REST_DEG[joint])
        arrays[0:2, :, joint] = position_deg
        for move in moves:
            target_deg = math.radians(move.to_deg)
            has_started = time_s >= move.begins_s
            s = np.clip((time_s - move.begins_s) / move.lasts_s, 0.0, 1.0)
            travel_deg, T = target_deg - position_deg, move.lasts_s
            arrays[0, has_started, joint] = target_deg
            arrays[1, :, joint] += travel_deg * (10 * s**3 - 15 * s**4 + 6 * s**5)
            arrays[2, :, joint] += travel_deg / T * (30 * s**2 - 60 * s**3 + 30 * s**4)
            arrays[3, :, joint] += travel_deg / T**2 * (60 * s - 180 * s**2 + 120 * s**3)
            position_deg = target_deg
    return Trajectory(
        setpoint_rad=arrays[0],
        position_rad=arrays[1],
        speed_rad_s=arrays[2],
        acceleration_rad_s2=arrays[3],
    )


def payloads_kg(first: int, count: int, *, seed: int) -> Floats:
    """Return the mass in the hand in each of `count` cycles from number `first` on.

    Fruit of about 0.3 kg; early in every hour a run of five to eight with a crate of more than a
    kilogram, which the shoulder can only just lift.
    """
    groups = range(first // GROUP_CYCLES, (first + count - 1) // GROUP_CYCLES + 1)
    masses = np.concatenate([_group_payload_kg(group, seed) for group in groups])
    start = first - groups.start * GROUP_CYCLES
    return masses[start : start + count]


def _group_payload_kg(group: int, seed: int) -> Floats:
    rng = np.random.default_rng([seed, 71, group])
    masses = np.clip(rng.normal(0.3, 0.03, GROUP_CYCLES), 0.22, 0.36)
    length = int(rng.integers(5, 9))
    heavy_start = int(rng.integers(EARLIEST, LATEST))
    masses[heavy_start : heavy_start + length] = rng.normal(1.32, 0.03, length)
    return masses
