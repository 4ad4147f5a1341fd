"""Temperatures, voltages, counts of time: values that move slowly or hardly. Pure."""

import math
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.layout_finder.motion import bin_signal
from logger.layout_finder.traffic import Marks, frames_in

__all__ = [
    "RARE_OFFSETS",
    "TEMPERATURE_SCALES",
    "VOLTAGE_SCALES",
    "Heating",
    "ScalePair",
    "SlowKind",
    "classify_slow",
    "match_temperature",
    "match_voltage",
    "rarity_of",
    "rise_of",
    "rise_strangeness",
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
MIN_RISE_COUNTS: Final = 1.2
MAX_HEAT_ERROR: Final = 0.12
"""Of the rise, root mean square, that a temperature may stray from the heat of the load."""
_HALF_COUNT: Final = 0.35
HEAT_BIN_S: Final = 1.0
HEAT_DELAYS_S: Final = (3.0, 10.0, 25.0, 60.0, 150.0, 400.0, 1200.0)
MAX_SAG: Final = 0.25
"""Of a supply voltage, under load."""
USUAL_RISE: Final = 5.0
"""degC, over the steps: warmed until a value has risen by as much; most others rise less."""
_RISE_SPREAD: Final = 1.3
_NO_RISE: Final = 3.0
_RARER: Final = 0.3
"""Strangeness, from a usual scale to the next."""


@dataclass(frozen=True, eq=False)
class Heating:
    """The heat that the load makes, up to a factor: it goes with the square of the torque."""

    time_s: Floats
    heat: Floats


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
RARE_OFFSETS: Final = tuple(
    (scale, float(offset))
    for offset in range(-20, -105, -5)
    for scale in (1.0, 0.5)
    if (scale, float(offset)) not in TEMPERATURE_SCALES
)
"""Whole and half degrees from any other multiple of five below zero: somebody's lowest reading."""
_RARE_OFFSET: Final = 8.0
"""Strangeness of these: taken for no temperature that does not warm, and listed behind others."""
_RARITIES: Final = {pair: _RARER * number for number, pair in enumerate(TEMPERATURE_SCALES)}
VOLTAGE_SCALES: Final = (
    *(1.0, 0.1, 0.01, 0.001, 0.5, 0.25, 0.2, 0.05, 0.125, 1.0 / 16.0),
    *(0.02, 0.005, 0.002),
)
"""Ones, twos and fives of each decade, and halves of halves, the commonest first."""


class SlowKind(Enum):
    """What a slow signal does over the steps."""

    WARMS = "warms"
    """It follows the heat of the load."""
    STEADY = "steady"
    """It moves slowly or little, and not with the heat."""
    RUNS = "runs"
    """It rises from the first second on at one rate: a count of time."""


def _mean_in(time_s: Floats, value: Floats, start: float, end: float) -> float:
    part = value[frames_in(time_s, (start, end))]
    return float(np.mean(part)) if len(part) else math.nan


def classify_slow(
    time_s: Floats, value: Floats, marks: Marks, heating: Heating | None
) -> SlowKind | None:
    """Return what a signal does over the steps; None for one that moves with the joint.

    A temperature follows the heat that the load makes, delayed by some time constant; or it rises
    in the warm step, and hardly before.
    """
    if len(value) < 20 or np.ptp(value) == 0.0:
        return None
    spread = float(np.ptp(value))
    since = time_s - time_s[0]
    line = np.polynomial.polynomial.polyfit(since, value, 1)
    left = value - np.polynomial.polynomial.polyval(since, line)
    monotone = bool(np.mean(np.diff(value) >= 0.0) > 0.999)
    if monotone and float(np.std(left)) < 0.01 * spread and spread >= 5.0:
        return SlowKind.RUNS
    at_s, level = bin_signal(time_s, value, HEAT_BIN_S)
    noise = float(np.quantile(np.abs(np.diff(value)), 0.99))
    if _follows_heat(at_s, level, noise, marks, heating):
        return SlowKind.WARMS
    return SlowKind.STEADY


def _follows_heat(
    at_s: Floats, level: Floats, noise: float, marks: Marks, heating: Heating | None
) -> bool:
    if marks.warm is None:
        return False
    first = marks.rest[0] if marks.rest is not None else at_s[0]
    rows = (at_s >= first) & (at_s <= marks.warm[1])
    at_s, level = at_s[rows], level[rows]
    if len(at_s) < 20 or np.ptp(level) == 0.0:
        return False
    if _rises_when_warmed(at_s, level, noise, marks):
        return True
    if heating is None:
        return False
    heat = np.interp(at_s, heating.time_s, heating.heat)
    best_left, best_rise = np.inf, 0.0
    for delay_s in HEAT_DELAYS_S:
        warming = _delayed(at_s, heat, delay_s)
        columns = np.stack([warming, np.ones(len(at_s))], axis=1)
        solution = np.linalg.lstsq(columns, level, rcond=None)[0]
        left = float(np.std(level - columns @ solution))
        if solution[0] > 0.0 and left < best_left:
            best_left, best_rise = left, float(solution[0] * np.ptp(warming))
    quantised = _HALF_COUNT if best_rise > 0.0 else 0.0
    return bool(
        best_rise >= MIN_RISE_COUNTS
        and best_left < MAX_HEAT_ERROR * best_rise + quantised
        and noise <= max(2.0, 0.5 * best_rise)
    )


def _rises_when_warmed(at_s: Floats, level: Floats, noise: float, marks: Marks) -> bool:
    assert marks.warm is not None, "called only with a warm step"
    start, end = marks.warm
    third = (end - start) / 3.0
    rise = _mean_in(at_s, level, end - 0.5 * third, end) - _mean_in(
        at_s, level, start, start + 0.3 * third
    )
    before = level[: frames_in(at_s, marks.warm).start]
    moved_before = float(np.ptp(before)) if len(before) > 5 else 0.0
    rows = frames_in(at_s, marks.warm)
    if rows.stop - rows.start < 5:
        return False
    middle = float(np.std(level[rows] - _line_through(at_s[rows], level[rows])))
    usual = rise >= MIN_RISE_COUNTS and rise > moved_before and middle < 0.35 * rise + 0.6
    return bool(usual and noise <= max(2.0, 0.5 * rise))


def _delayed(at_s: Floats, heat: Floats, delay_s: float) -> Floats:
    """Return what a body of one time constant is warmer by, up to a factor."""
    warming = np.zeros(len(at_s))
    for number, step in enumerate(np.diff(at_s), start=1):
        share = 1.0 - math.exp(-step / delay_s)
        warming[number] = warming[number - 1] + share * (heat[number - 1] - warming[number - 1])
    return warming


def _line_through(time_s: Floats, value: Floats) -> Floats:
    since = time_s - time_s[0]
    curve = np.polynomial.polynomial.polyfit(since, value, 2)
    return np.asarray(np.polynomial.polynomial.polyval(since, curve))


def rarity_of(pair: tuple[float, float]) -> float:
    """Return how unusual scale and offset of a temperature are by themselves."""
    return _RARITIES.get(pair, _RARE_OFFSET)


def match_temperature(resting: float, ambient_deg_c: float) -> tuple[ScalePair, ...]:
    """Return the pairs that give about the room's temperature when cold, the likeliest first.

    `resting` is the raw value at rest. Nearness to the room and custom count.
    """
    pairs = []
    for scale, offset in (*TEMPERATURE_SCALES, *RARE_OFFSETS):
        reading = resting * scale + offset
        above = reading - ambient_deg_c
        if -COLDER <= above <= WARMER:
            # What was typed is wrong by about half a degree, a reading by as much as a count.
            below = max(0.0, -above - 0.5 - 0.5 * min(scale, 1.0))
            distance = below * 1.5 + max(0.0, above - 4.0) * 0.5
            pairs.append(ScalePair(scale, offset, reading, distance + rarity_of((scale, offset))))
    return tuple(sorted(pairs, key=lambda pair: pair.strangeness))


def rise_of(time_s: Floats, value: Floats, marks: Marks) -> float:
    """Return by how many counts a value is higher at the end of the warm step than at rest.

    0 where it is not clearly more than what it moves by chance; nan without these steps.
    """
    if marks.rest is None or marks.warm is None:
        return math.nan
    start, end = marks.warm
    before = value[frames_in(time_s, marks.rest)]
    after = value[frames_in(time_s, (end - 0.2 * (end - start), end))]
    if len(before) < 5 or len(after) < 5:
        return math.nan
    rise = float(np.mean(after) - np.mean(before))
    # Neighbouring frames are alike: far fewer of them are independent.
    count = min(len(before), len(after), 20)
    chance = math.sqrt((float(np.var(before)) + float(np.var(after)) + 0.02) / count)
    return rise if rise > 3.0 * chance else 0.0


def rise_strangeness(rise: float, scale: float, slow: SlowKind) -> float:
    """Return how unusual a rise in counts is of a temperature of a scale."""
    if math.isnan(rise):
        return 1.0
    if rise <= 0.0:
        return _NO_RISE
    apart = math.log(rise * scale / USUAL_RISE) / _RISE_SPREAD
    # What hardly warms at all is as usual as not: a bearing, a housing.
    apart = min(apart, 0.0) * 0.5 if slow is not SlowKind.WARMS else apart
    return 0.5 * apart * apart


def match_voltage(resting: float, spread: float, supply_v: float) -> tuple[ScalePair, ...]:
    """Return the usual scales that give about the typed voltage, the likeliest first.

    `resting` and `spread` are raw: the value at rest, and from the lowest to the highest.
    """
    pairs = []
    for number, scale in enumerate(VOLTAGE_SCALES):
        reading = resting * scale
        distance = abs(reading / supply_v - 1.0)
        if distance <= VOLTAGE_TOLERANCE and spread * scale < MAX_SAG * supply_v:
            strangeness = distance / VOLTAGE_UNCERTAINTY + _RARER * number
            pairs.append(ScalePair(scale, 0.0, reading, strangeness))
    return tuple(sorted(pairs, key=lambda pair: pair.strangeness))
