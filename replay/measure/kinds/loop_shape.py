"""What is read off a loop of torque without a model: is it one, its middle, its width. Pure.

A loop has a way up and a way down at each torque; torque is smoothed only to tell which is which.
"""

from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from replay.measure.kinds.loop_model import LoopPath

__all__ = ["check_closed", "middle_distance", "ramp_rate", "zero_width"]

_SMOOTHED: Final = 60
"""Stretches that a loop is smoothed over, to tell up from down."""


def check_closed(torque: Floats, where: str) -> None:
    """Refuse a torque that does not go 0, +T, 0, -T, 0.

    Raises
    ------
    InputError
        With what is missing of the loop.
    """
    most, least = float(torque.max()), float(torque.min())
    size = max(most, -least)
    if size <= 0.0:
        raise InputError("found no torque at all, expected a ramp 0, +T, 0, -T, 0.", where=where)
    if min(most, -least) < 0.3 * size:
        side = "positive" if most < -least else "negative"
        raise InputError(
            f"found a loop that was never closed: torque goes from {least:.3g} to "
            f"{most:.3g} N.m, expected as much {side} torque: it needs a move through zero.",
            where=where,
        )
    tail = max(len(torque) // 50, 1)
    end = float(np.mean(torque[-tail:]))
    if abs(end) > 0.25 * size:
        raise InputError(
            f"found a loop that was never closed: it ends at {end:.3g} N.m, expected a "
            "ramp back to zero.",
            where=where,
        )


def middle_distance(path: LoopPath, level: float) -> float:
    """Return the angle of the loop's middle at +level less that at -level, in arcmin."""
    width = level / 6.0
    return _middle_at(path, level, width) - _middle_at(path, -level, width)


def zero_width(path: LoopPath, window: float) -> float:
    """Return the angle on the way down less that on the way up, at no torque, in arcmin."""
    up, down = _ways(path)
    # Before its first turn the loop does not know yet on which side of its friction it lies.
    half = len(path.torque_Nm) // 2
    up[: int(np.argmax(np.abs(path.torque_Nm[:half])))] = False
    return _angle_at(path, down, 0.0, window / 2.0) - _angle_at(path, up, 0.0, window / 2.0)


def ramp_rate(path: LoopPath) -> float:
    """Return how fast torque is ramped, in N.m/s: the median over the loop."""
    edges = np.linspace(0, len(path.time_s) - 1, _SMOOTHED + 1).astype(np.int64)
    rates = np.abs(np.diff(path.torque_Nm[edges])) / np.diff(path.time_s[edges])
    return float(np.median(rates))


def _middle_at(path: LoopPath, level: float, window: float) -> float:
    up, down = _ways(path)
    return (_angle_at(path, up, level, window) + _angle_at(path, down, level, window)) / 2.0


def _ways(path: LoopPath) -> tuple[np.ndarray, np.ndarray]:
    """Return where torque rises and where it falls, as masks."""
    n = len(path.torque_Nm)
    width = max(n // _SMOOTHED, 1)
    smooth = np.convolve(np.pad(path.torque_Nm, width, mode="edge"), np.ones(width) / width, "same")
    slope = np.gradient(smooth[width : width + n])
    return slope > 0.0, slope < 0.0


def _angle_at(path: LoopPath, way: np.ndarray, level: float, window: float) -> float:
    """Return the angle at a torque on one way, along the straight line through its neighbours."""
    torque, angle = path.torque_Nm[way], path.angle[way]
    if not len(torque):
        return float("nan")
    near = np.abs(torque - level) <= window
    if near.sum() >= 3 and np.ptp(torque[near]) > 0.0:
        slope, at_level = np.polyfit(torque[near] - level, angle[near], 1)
        del slope
        return float(at_level)
    order = np.argsort(torque, kind="stable")
    return float(np.interp(level, torque[order], angle[order]))
