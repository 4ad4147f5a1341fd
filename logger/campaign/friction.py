"""Friction of a cycle, where it turns both ways at constant speed through the same positions. Pure.

What carries a load (gravity, a spring) is the same both ways, friction is not: half of the
difference of the load both ways, place by place, is friction. While the speed changes, inertia is
in the load as well, so that only constant speed counts.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = ["ConstantSpeed", "constant_speed_friction"]

_NEAR: Final = 0.05
"""Share of the speed by which it may differ and still be constant."""
_LEAST_S: Final = 0.2
_LEAST_SHARE: Final = 0.35
"""Of the movement one way, that has to be at constant speed: a move that only bends over its
highest speed is within 5 % of it for 23 % of its time (minimum jerk)."""
_FRICTION_PLACES: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class ConstantSpeed:
    """What is held from row to row, each of shape (n,)."""

    held_s: Floats
    """For how long all of them hold."""
    speed: Floats
    position: Floats
    load: Floats


def constant_speed_friction(rows: ConstantSpeed) -> tuple[float, float] | None:
    """Return the seconds that friction was found in, and its integral over them; None for none."""
    forward, backward = _plateau(rows, rows.speed), _plateau(rows, -rows.speed)
    if forward is None or backward is None:
        return None
    ways = [_of_way(rows, one) for one in (forward, backward)]
    low = max(float(position.min()) for position, _, _ in ways)
    high = min(float(position.max()) for position, _, _ in ways)
    if high <= low:
        return None
    sums = []
    for position, load, held_s in ways:
        place = ((position - low) / (high - low) * _FRICTION_PLACES).astype(np.int64)
        inside = (position >= low) & (position <= high)
        place = np.minimum(place[inside], _FRICTION_PLACES - 1)
        weight = np.bincount(place, held_s[inside], _FRICTION_PLACES)
        total = np.bincount(place, (load * held_s)[inside], _FRICTION_PLACES)
        sums.append((weight, total))
    (forward_s, forward_load), (backward_s, backward_load) = sums
    both = (forward_s > 0.0) & (backward_s > 0.0)
    if not both.any():
        return None
    half = 0.5 * (forward_load[both] / forward_s[both] - backward_load[both] / backward_s[both])
    weight = forward_s[both] + backward_s[both]
    return float(weight.sum()), float((half * weight).sum())


def _of_way(
    rows: ConstantSpeed, chosen: "np.ndarray[tuple[int], np.dtype[np.bool_]]"
) -> tuple[Floats, Floats, Floats]:
    return rows.position[chosen], rows.load[chosen], rows.held_s[chosen]


def _plateau(
    rows: ConstantSpeed, speed: Floats
) -> "np.ndarray[tuple[int], np.dtype[np.bool_]] | None":
    """Return which rows move one way at its constant speed; None where they do not for long."""
    highest = float(speed.max(initial=0.0))
    moves = (speed > 0.1 * highest) & (rows.held_s > 0.0)
    if highest <= 0.0 or not moves.any():
        return None
    # Half of the movement is at least as fast as its median: a plateau lies there, if anywhere.
    fast = speed[moves & (speed > 0.5 * highest)]
    usual = float(np.median(fast))
    constant = moves & (np.abs(speed - usual) <= _NEAR * usual)
    constant_s = float(rows.held_s[constant].sum())
    if constant_s < _LEAST_S or constant_s < _LEAST_SHARE * float(rows.held_s[moves].sum()):
        return None
    return constant
