"""Current and torque: what follows a known weight on a known arm, and friction. Pure.

Moved slowly both ways, gravity goes with the sine of the angle and friction with the sign of the
speed, so that a fit separates them. The slope is counts per Nm at the output. Whether a value
that is proportional to the torque is called current or torque cannot be told.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.layout_finder.motion import PositionFit, bin_signal
from logger.layout_finder.traffic import Marks, TypedNumbers, frames_in

__all__ = ["STANDARD_GRAVITY", "LoadFit", "fit_load"]

STANDARD_GRAVITY: Final = 9.80665
"""m/s^2, the conventional value (ISO 80000-3)."""
MIN_EXPLAINED: Final = 0.9
MIN_GRAVITY_SHARE: Final = 0.05
"""Of the variance, explained by gravity and by nothing else in the fit."""
_ANGLE_LIKE: Final = 0.995
_BIN_S: Final = 0.1
_RATIOS: Final = np.linspace(0.88, 1.12, 61)
_MOVING: Final = 0.25
"""Of the usual speed, from which on the joint moves."""


@dataclass(frozen=True)
class LoadFit:
    """A signal that follows the load."""

    nm_per_count: float | None
    """At the output; None where weight or arm was not typed."""
    zero_counts: float
    gravity_counts: float
    """At +90 degrees."""
    relative_uncertainty: float
    """Of the gravity, standard, from what the fit left."""
    coulomb_counts: float
    explained: float
    """Share of the variance of the load step."""
    gravity_share: float
    turn_ratio: float = 1.0
    """How many turns the typed turn was, by how the weight's torque bends over the angle."""
    turn_ratio_spread: float = math.inf
    """How far that may be off, two standard deviations."""


def _columns(at_s: Floats, angle: Floats) -> Floats:
    """Return what a load is made of, float64[n, 6].

    Offset, gravity, Coulomb friction, viscous friction, acceleration, and the friction of a gear,
    which goes with the load that it carries.
    """
    speed = np.gradient(angle, at_s)
    acceleration = np.gradient(speed, at_s)
    slow = 0.15 * max(float(np.quantile(np.abs(speed), 0.9)), 1e-9)
    lever, way = np.sin(angle), np.tanh(speed / slow)
    return np.stack(
        [np.ones(len(angle)), lever, way, speed, acceleration, np.abs(lever) * way], axis=1
    )


def _is_moving(at_s: Floats, angle: Floats) -> NDArray[np.bool_]:
    """Return where the joint moves: standing still, friction may be anything up to its most."""
    speed = np.abs(np.gradient(angle, at_s))
    return np.asarray(speed > _MOVING * float(np.quantile(speed, 0.9)))


def _explained(columns: Floats, level: Floats) -> tuple[Floats, float]:
    solution = np.linalg.lstsq(columns, level, rcond=None)[0]
    left = level - columns @ solution
    return np.asarray(solution, dtype=np.float64), 1.0 - float(
        np.sum(left**2) / np.sum((level - level.mean()) ** 2)
    )


def fit_load(
    time_s: Floats,
    value: Floats,
    position_time_s: Floats,
    position: PositionFit,
    typed: TypedNumbers,
) -> LoadFit | None:
    """Return how a signal follows the load of the load step; None where it does not.

    Over half a turn the sine and the angle itself are nearly proportional: positions have to be
    taken out before.
    """
    marks: Marks = position.marks
    rows = frames_in(time_s, marks.load)
    if rows.stop - rows.start < 60 or marks.load is None:
        return None
    counts = np.interp(time_s[rows], position_time_s, position.unwrapped)
    hanging = float(np.median(counts[: max(3, len(counts) // 100)]))
    angle = (counts - hanging) * position.rad_per_count
    at_s, level = bin_signal(time_s[rows], value[rows], _BIN_S)
    _, way = bin_signal(time_s[rows], angle, _BIN_S)
    if len(at_s) < 40 or np.ptp(level) == 0.0 or np.ptp(way) < 0.5:
        return None
    if abs(float(np.corrcoef(level, way)[0, 1])) > _ANGLE_LIKE:
        return None
    columns = _columns(at_s, way)
    moving = _is_moving(at_s, way)
    if moving.sum() < 30:
        return None
    columns, level, way = columns[moving], level[moving], way[moving]
    if np.ptp(level) == 0.0:
        return None
    solution, explained = _explained(columns, level)
    _, without = _explained(np.delete(columns, 1, axis=1), level)
    _, with_angle = _explained(
        np.concatenate([np.delete(columns, 1, axis=1), way[:, None]], axis=1), level
    )
    if explained < MIN_EXPLAINED or explained - without < MIN_GRAVITY_SHARE:
        return None
    since = (at_s[moving] - at_s[0]) / (at_s[-1] - at_s[0])
    _, with_time = _explained(
        np.concatenate(
            [np.delete(columns, 1, axis=1), since[:, None], since[:, None] ** 2], axis=1
        ),
        level,
    )
    # What warms meanwhile goes with the time, and not up, down and back with the weight.
    if max(with_angle, with_time) > explained or solution[1] == 0.0:
        return None
    left = float(np.sum((level - columns @ solution) ** 2)) / max(1, len(level) - columns.shape[1])
    gravity = float(solution[1])
    spread = math.sqrt(left * float(np.linalg.pinv(columns.T @ columns)[1, 1]))
    ratio, ratio_spread = _turn_ratio(columns, way, level)
    torque = (
        None
        if typed.mass_kg is None or typed.arm_m is None
        else typed.mass_kg * typed.arm_m * STANDARD_GRAVITY
    )
    return LoadFit(
        nm_per_count=torque / gravity if torque else None,
        zero_counts=float(solution[0]),
        gravity_counts=gravity,
        relative_uncertainty=spread / abs(gravity),
        coulomb_counts=float(solution[2]),
        explained=explained,
        gravity_share=explained - without,
        turn_ratio=ratio,
        turn_ratio_spread=ratio_spread,
    )


def _turn_ratio(columns: Floats, angle: Floats, level: Floats) -> tuple[float, float]:
    """Return by what factor the angle is really greater, and how far that may be off.

    A weight's torque goes with the sine of the true angle, however far the arm was swung: where
    the turn was more than one, a sine of the angle by the turn bends too early.
    """
    friction = columns[:, 2]
    left = []
    for ratio in _RATIOS:
        lever = np.sin(ratio * angle)
        fitted = np.column_stack([columns, np.cos(ratio * angle)])
        fitted[:, 1], fitted[:, 5] = lever, np.abs(lever) * friction
        solution = np.linalg.lstsq(fitted, level, rcond=None)[0]
        left.append(float(np.sum((level - fitted @ solution) ** 2)))
    least = min(left)
    variance = least / max(1, len(level) - columns.shape[1] - 2)
    near = _RATIOS[np.array(left) <= least + 4.0 * variance]
    best = float(_RATIOS[int(np.argmin(left))])
    if near[0] == _RATIOS[0] or near[-1] == _RATIOS[-1]:
        return 1.0, math.inf
    return best, float(near[-1] - near[0]) / 2.0 + float(_RATIOS[1] - _RATIOS[0])
