"""How long a load has to go on until the thermal resistance of a joint is known. Pure.

One node stands for the joint: temperature = ambient + start that fades + resistance times the load
that went before, the ambient a random walk where it is not recorded. Its parameters are fitted to
what is there; then the same load is thought to go on, and each further minute adds its information
(Fisher). Information does not hang on the readings, so what will be known, and when, is known now.
"""
# ruff: noqa: N803 - units are written as units are

import math
from typing import Final

import numpy as np
from scipy.linalg import solve_triangular

from logger.arrays import Floats
from logger.heat.observer import AMBIENT_WALK_K2_PER_S
from replay.heat.fit import LEAST_S
from replay.heat.one_load import ONE_LOAD_S, is_one_load
from replay.heat.quantity import KNOWN_FACTOR
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace
from replay.measure.readiness.needed import Needed

__all__ = ["AHEAD_S", "needed_heat"]

AHEAD_S: Final = 6.0 * 3600.0
"""What takes longer is told as not known."""
_LIKE_S: Final = 900.0
"""The load goes on as over this last time."""
_BINS: Final = 180
_LEAST_BIN_S: Final = 20.0
_TIMES_S: Final = np.geomspace(60.0, 4.0 * 3600.0, 60)
"""Time constants that are tried."""
_LEAST_BINS: Final = 8
_UNTYPICAL_K: Final = 100.0
"""Of a start or an ambient: what is thought of them beforehand is no more than that."""


def needed_heat(trace: HeatTrace) -> Needed | None:
    """Return what the model of heat needs; None without a load or a temperature of the joint."""
    sensor = trace.sensor_at(SensorPlace.HOUSING) or trace.sensor_at(SensorPlace.WINDING)
    if sensor is None or not trace.segments or not trace.steps.mean_square_A2.any():
        return None
    lengths_s = np.bincount(trace.segment, trace.steps.duration_s)
    chosen = np.flatnonzero(trace.segment == int(lengths_s.argmax()))
    short_s = LEAST_S - float(lengths_s.max())
    step_s = float(trace.steps.duration_s[0])
    square = trace.steps.mean_square_A2[chosen]
    like = float(square[-max(round(_LIKE_S / step_s), 1) :].mean())
    one_load = is_one_load(trace)
    for how, load in (("at this load", like), ("at rest", 0.0)):
        if one_load and load > 0.0:
            continue  # more of the same tells standby and room no further apart from it
        left_s = _left_s(trace, sensor, chosen, load)
        if left_s is not None:
            least_s = ONE_LOAD_S if one_load else 0.0
            left_s = max(left_s, short_s, least_s)
            return _needed(left_s, how if left_s else "")
    return _needed(None, "")


def _needed(left_s: float | None, how: str) -> Needed:
    return Needed(
        kind="heat",
        what="thermal resistance",
        many="thermal resistances",
        have=int(left_s == 0.0),
        wants=1,
        left_s=left_s,
        how=how,
    )


def _left_s(
    trace: HeatTrace, sensor: SensorCounts, chosen: np.ndarray, like: float
) -> float | None:
    """Return how long it takes if the mean square of the load is `like` from now on."""
    step_s = float(trace.steps.duration_s[chosen[0]])
    found_s = step_s * len(chosen)
    group = max(round(max(_LEAST_BIN_S, found_s / _BINS) / step_s), 1)
    rows = (sensor.step >= chosen[0]) & (sensor.step <= chosen[-1])
    place = (sensor.step[rows] - chosen[0]) // group
    weights = np.bincount(place, sensor.n[rows])
    sums = np.bincount(place, sensor.n[rows] * sensor.value_degC[rows])
    kept = np.flatnonzero(weights > 0.0)
    if len(kept) < _LEAST_BINS:
        return None
    values = sums[kept] / weights[kept]
    room = trace.sensor_at(SensorPlace.AMBIENT)
    if room is not None and len(room.step):
        at = np.argsort(room.step)
        values = values - np.interp(
            chosen[0] + (kept + 0.5) * group, room.step[at], room.value_degC[at]
        )
    # The steps that were, and those of the same load to come.
    square = trace.steps.mean_square_A2[chosen]
    more = math.ceil(AHEAD_S / (step_s * group))
    ends = (np.append(kept, np.arange(kept[-1] + 1, kept[-1] + 1 + more)) + 1) * group
    load = np.append(square, np.full(int(ends[-1]) - len(square), like))
    curves = _OneNode(load, step_s, ends)
    walk = 0.0 if room is not None else AMBIENT_WALK_K2_PER_S
    root = _root_of_covariance(values, sensor.resolution_K, step_s * ends, walk)
    fitted = curves.fit(values, root[: len(kept), : len(kept)])
    if fitted is None:
        return None
    slopes, resistance = fitted
    spread = _spread_as_it_grows(slopes, root) / resistance
    wanted = math.log(KNOWN_FACTOR) / (2.0 * 1.96)
    known = np.flatnonzero(spread[len(kept) - 1 :] <= wanted)
    return float(known[0]) * step_s * group if len(known) else None


class _OneNode:
    """Temperature of one node at the ends of bins, shape (n,), for a load in even steps."""

    def __init__(self, load: Floats, step_s: float, ends: np.ndarray) -> None:
        self._load, self._step_s, self._ends = load, step_s, ends
        self._time_s = step_s * ends

    def columns(self, time_constant_s: float) -> Floats:
        """Return what ambient, start and resistance are multiplied with, shape (n, 3)."""
        # Imported here: it loads half of scipy, 26 MB in a server that may never ask for it.
        from scipy.signal import lfilter  # noqa: PLC0415

        kept = math.exp(-self._step_s / time_constant_s)
        followed = lfilter([1.0 - kept], [1.0, -kept], self._load)
        fading = np.exp(-self._time_s / time_constant_s)
        return np.stack([np.ones(len(fading)), fading, followed[self._ends - 1]], axis=1)

    def fit(self, values: Floats, root: Floats) -> tuple[Floats, float] | None:
        """Return the slopes of the likeliest curve over all bins, and its resistance.

        Shape (n, 4): by ambient, start, resistance and the logarithm of the time constant. None
        where the temperature does not follow the load.
        """
        n = len(values)
        seen = solve_triangular(root, values, lower=True)
        best = (math.inf, 0.0, np.zeros(3))
        for time_constant_s in _TIMES_S:
            design = solve_triangular(root, self.columns(time_constant_s)[:n], lower=True)
            # As little is thought of ambient and start beforehand as in what is still needed.
            stiff = np.vstack([design, np.diag([1.0 / _UNTYPICAL_K, 1.0 / _UNTYPICAL_K, 0.0])])
            found = np.linalg.lstsq(stiff, np.append(seen, np.zeros(3)), rcond=None)[0]
            off = float(((seen - design @ found) ** 2).sum())
            if found[2] > 0.0 and off < best[0]:
                best = off, float(time_constant_s), found
        _, time_constant_s, found = best
        if not time_constant_s:
            return None
        near = 0.02
        longer = self.columns(time_constant_s * math.exp(near)) @ found
        shorter = self.columns(time_constant_s * math.exp(-near)) @ found
        by_time = (longer - shorter) / (2.0 * near)
        return np.column_stack([self.columns(time_constant_s), by_time]), float(found[2])


def _root_of_covariance(
    values: Floats, resolution_K: float, time_s: Floats, walk_K2_per_s: float
) -> Floats:
    """Return the lower root of the covariance of all bins: noise, count, ambient."""
    noise = float(np.median(np.abs(np.diff(values, 2)))) / 0.6745 / math.sqrt(6.0)
    own = max(noise**2, resolution_K**2 / 12.0)
    shared = walk_K2_per_s * np.minimum.outer(time_s, time_s)
    return np.asarray(np.linalg.cholesky(shared + own * np.eye(len(time_s))), np.float64)


def _spread_as_it_grows(slopes: Floats, root: Floats) -> Floats:
    """Return the standard uncertainty of the resistance with the first k bins, for each k."""
    rows = solve_triangular(root, slopes, lower=True)
    information: Floats = np.cumsum(rows[:, :, None] * rows[:, None, :], axis=0)
    # A time constant within a factor of e is what is thought of it beforehand.
    information += np.diag([_UNTYPICAL_K**-2, _UNTYPICAL_K**-2, 1e-12, 1.0])
    return np.asarray(np.sqrt(np.linalg.inv(information)[:, 2, 2]), np.float64)
