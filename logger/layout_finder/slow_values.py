"""Temperatures, voltages, counts of time: values that move slowly or hardly. Pure."""

import math
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.layout_finder.traffic import Marks, frames_in

__all__ = [
    "TEMPERATURE_SCALES",
    "VOLTAGE_SCALES",
    "ScalePair",
    "SlowKind",
    "classify_slow",
    "match_temperature",
    "match_voltage",
]

MAX_BITS: Final = 16
"""Two slow neighbours look like one wide temperature."""
COLDER: Final = 2.5
WARMER: Final = 12.0
"""How far, in degC, a cold joint's reading may lie below and above the room: electronics is warm
as soon as it is on."""
VOLTAGE_TOLERANCE: Final = 0.08
VOLTAGE_UNCERTAINTY: Final = 0.02
"""Of a typed supply voltage and of the drive's reading, together."""
MIN_RISE_COUNTS: Final = 2.0


@dataclass(frozen=True)
class ScalePair:
    """value = raw * scale + offset."""

    scale: float
    offset: float
    reading: float
    """What the resting value would be, degC or V."""
    strangeness: float
    """How unusual it is; the chance of one among several goes with exp(-strangeness)."""


TEMPERATURE_SCALES: Final = (
    *((1.0, 0.0), (0.1, 0.0), (1.0, -40.0), (0.5, -40.0), (0.5, 0.0), (0.01, 0.0), (1.0, -50.0)),
    *((0.25, 0.0), (0.0625, 0.0), (0.1, -40.0), (0.1, -273.15), (0.01, -273.15), (0.5, -50.0)),
    *((1.0, -273.15), (1.0 / 256.0, 0.0), (0.125, 0.0), (0.2, 0.0), (0.1, -100.0)),
)
"""The usual pairs, the commonest first."""
VOLTAGE_SCALES: Final = (1.0, 0.1, 0.01, 0.001, 0.5, 0.25, 0.2, 0.05, 0.125, 1.0 / 16.0)


class SlowKind(Enum):
    """What a slow signal does over the steps."""

    WARMS = "warms"
    """It rises in the warm step, and hardly before."""
    STEADY = "steady"
    """It hardly moves."""
    RUNS = "runs"
    """It rises from the first second on at one rate: a count of time."""


def _mean_in(time_s: Floats, value: Floats, start: float, end: float) -> float:
    part = value[frames_in(time_s, (start, end))]
    return float(np.mean(part)) if len(part) else math.nan


def classify_slow(time_s: Floats, value: Floats, marks: Marks) -> SlowKind | None:
    """Return what a signal does over the steps; None for one that moves with the joint."""
    if len(value) < 20 or np.ptp(value) == 0.0:
        return None
    steps = np.abs(np.diff(value))
    spread = float(np.ptp(value))
    since = time_s - time_s[0]
    line = np.polynomial.polynomial.polyfit(since, value, 1)
    left = value - np.polynomial.polynomial.polyval(since, line)
    monotone = bool(np.mean(np.diff(value) >= 0.0) > 0.999)
    if monotone and float(np.std(left)) < 0.01 * spread and spread >= 5.0:
        return SlowKind.RUNS
    if marks.warm is not None:
        start, end = marks.warm
        third = (end - start) / 3.0
        first = _mean_in(time_s, value, start, start + 0.3 * third)
        last = _mean_in(time_s, value, end - 0.5 * third, end)
        rise = last - first
        before = value[: frames_in(time_s, marks.warm).start]
        moved_before = float(np.ptp(_smoothed(time_s, before))) if len(before) > 20 else 0.0
        noise = float(np.quantile(steps, 0.99))
        rows = frames_in(time_s, marks.warm)
        middle = float(np.std(value[rows] - _line_through(time_s[rows], value[rows])))
        if rise >= MIN_RISE_COUNTS and rise > moved_before and middle < 0.35 * rise + 0.6:
            return SlowKind.WARMS if noise <= max(2.0, 0.5 * rise) else None
    return SlowKind.STEADY if spread < 0.2 * max(1.0, abs(float(np.median(value)))) else None


def _line_through(time_s: Floats, value: Floats) -> Floats:
    since = time_s - time_s[0]
    curve = np.polynomial.polynomial.polyfit(since, value, 2)
    return np.asarray(np.polynomial.polynomial.polyval(since, curve))


def _smoothed(time_s: Floats, value: Floats) -> Floats:
    number = np.floor(time_s[: len(value)] - time_s[0]).astype(np.int64)
    counts = np.bincount(number)
    return np.asarray(np.bincount(number, weights=value)[counts > 0] / counts[counts > 0])


def match_temperature(resting: float, ambient_deg_c: float) -> tuple[ScalePair, ...]:
    """Return the usual pairs that give about the room's temperature when cold, the likeliest first.

    `resting` is the raw value at rest. Nearness to the room and custom count.
    """
    pairs = []
    for number, (scale, offset) in enumerate(TEMPERATURE_SCALES):
        reading = resting * scale + offset
        above = reading - ambient_deg_c
        if -COLDER <= above <= WARMER:
            distance = max(0.0, -above) * 1.5 + max(0.0, above - 4.0) * 0.7
            pairs.append(ScalePair(scale, offset, reading, distance + 0.5 * number))
    return tuple(sorted(pairs, key=lambda pair: pair.strangeness))


def match_voltage(resting: float, supply_v: float) -> tuple[ScalePair, ...]:
    """Return the usual scales that give about the typed voltage, the likeliest first."""
    pairs = []
    for number, scale in enumerate(VOLTAGE_SCALES):
        reading = resting * scale
        distance = abs(reading / supply_v - 1.0)
        if distance <= VOLTAGE_TOLERANCE:
            strangeness = distance / VOLTAGE_UNCERTAINTY + 0.4 * number
            pairs.append(ScalePair(scale, 0.0, reading, strangeness))
    return tuple(sorted(pairs, key=lambda pair: pair.strangeness))
