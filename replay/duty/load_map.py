"""Where a joint works: share of the time in cells of load and speed, and its mechanical work. Pure.

Fed step by step, so that nothing of the trace is kept.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from replay.duty.held_steps import HeldSteps

__all__ = ["LoadMap", "LoadMapCounter", "Work"]

CELLS: Final = 25
"""Each way; an odd number, so that what stands or carries nothing has cells of its own."""
_DIGITS: Final = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadMap:
    """The share of the time in each cell."""

    load_edges: Floats
    """Shape (cells + 1,), symmetric about 0."""
    speed_edges: Floats
    share: Floats
    """Of the time with load and speed, shape (load cells, speed cells); sums to 1."""
    held_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Mechanical work of a torque on a speed, in J, over the time that both were held."""

    positive_J: float  # noqa: N815 - the unit's own spelling
    """Done by the joint."""
    negative_J: float  # noqa: N815 - the unit's own spelling
    """Done on the joint, as it brakes or lowers a load; not below zero."""
    peak_W: float  # noqa: N815 - the unit's own spelling
    """Largest magnitude of the power."""
    held_s: float


class LoadMapCounter:
    """Counts a map and the work while steps come in."""

    def __init__(self, most_load: float, most_speed: float) -> None:
        """Begin with cells that reach to the largest magnitudes of both."""
        self._load_edges = _edges(most_load)
        self._speed_edges = _edges(most_speed)
        self._time = np.zeros(CELLS * CELLS)
        self._positive = self._negative = self._peak = self._held = 0.0

    def feed(self, steps: HeldSteps) -> None:
        """Take steps; those without a speed do not count."""
        known = np.isfinite(steps.speed)
        load, speed, lasts = steps.load[known], steps.speed[known], steps.duration_s[known]
        if not len(load):
            return
        row, column = (
            np.clip(
                ((value - edges[0]) / (edges[1] - edges[0]) + 1e-9).astype(np.int64), 0, CELLS - 1
            )
            for value, edges in ((load, self._load_edges), (speed, self._speed_edges))
        )
        self._time += np.bincount(row * CELLS + column, lasts, CELLS * CELLS)
        power = load * speed
        self._positive += float(np.maximum(power, 0.0) @ lasts)
        self._negative -= float(np.minimum(power, 0.0) @ lasts)
        self._peak = max(self._peak, float(np.abs(power).max()))
        self._held += float(lasts.sum())

    def load_map(self) -> LoadMap | None:
        """Return the map; None where load and speed were never held together."""
        if self._held <= 0.0:
            return None
        return LoadMap(
            load_edges=self._load_edges,
            speed_edges=self._speed_edges,
            share=(self._time / self._time.sum()).reshape(CELLS, CELLS),
            held_s=self._held,
        )

    def work(self) -> Work | None:
        """Return the work, the load being a torque; None as for the map."""
        if self._held <= 0.0:
            return None
        return Work(
            positive_J=self._positive,
            negative_J=self._negative,
            peak_W=self._peak,
            held_s=self._held,
        )


def _edges(most: float) -> Floats:
    """Return edges of round numbers that reach to a magnitude either way."""
    if not most > 0.0:
        most = 1.0
    each = most / (CELLS // 2)
    decade = 10.0 ** np.floor(np.log10(each))
    width = decade * next(one for one in _DIGITS if one * decade >= each * (1.0 - 1e-12))
    return np.asarray(np.linspace(-CELLS / 2 * width, CELLS / 2 * width, CELLS + 1))
