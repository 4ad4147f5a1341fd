"""Slow values: what warms, what only counts time, what stays; and the scales that fit."""

import numpy as np
import pytest

from logger.layout_finder.slow_values import (
    Heating,
    SlowKind,
    classify_slow,
    match_temperature,
    match_voltage,
)
from tests.logger.layout_finder.moved_joint import MARKS, move_joint

TIME_S, ANGLE = move_joint(50.0)
NOISE = np.random.default_rng(5)


def test_slow_signals_are_told_apart():
    """A temperature, an uptime, a voltage, a position."""
    warmer = 6.0 * (1.0 - np.exp(-np.maximum(0.0, TIME_S - 48.0) / 15.0))
    temperature = np.round(2.0 * (24.0 + warmer) + NOISE.normal(0, 0.1, len(TIME_S)))
    assert classify_slow(TIME_S, temperature, MARKS, None) is SlowKind.WARMS
    assert classify_slow(TIME_S, np.floor(TIME_S) + 40.0, MARKS, None) is SlowKind.RUNS
    voltage = np.round(480.0 + NOISE.normal(0, 0.7, len(TIME_S)))
    assert classify_slow(TIME_S, voltage, MARKS, None) is SlowKind.STEADY
    assert classify_slow(TIME_S, np.full(len(TIME_S), 7.0), MARKS, None) is None


def test_a_temperature_follows_the_heat_of_the_load():
    """It warms while the weight is held, cools, and warms again; what follows nothing does not."""
    loaded = TIME_S > 22.5
    heat = np.where(loaded, np.sin(ANGLE) ** 2, 0.0)
    warmth = np.zeros(len(TIME_S))
    for row in range(1, len(TIME_S)):
        warmth[row] = warmth[row - 1] + (heat[row - 1] - warmth[row - 1]) * 0.02 / 20.0
    reading = np.round(2.0 * (24.0 + 20.0 * warmth) + NOISE.normal(0, 0.2, len(TIME_S)))
    heating = Heating(TIME_S, heat)
    assert classify_slow(TIME_S, reading, MARKS, heating) is SlowKind.WARMS
    drifting = np.round(48.0 + 3.0 * np.sin(TIME_S / 9.0) + NOISE.normal(0, 0.2, len(TIME_S)))
    assert classify_slow(TIME_S, drifting, MARKS, heating) is SlowKind.STEADY


@pytest.mark.parametrize(
    ("raw", "scale", "offset"), [(24, 1.0, 0.0), (245, 0.1, 0.0), (64, 1.0, -40.0), (128, 0.5, -40)]
)
def test_the_usual_pair_comes_first(raw: int, scale: float, offset: float):
    """A joint at 24 degC in a room of 23; every other pair that fits is listed behind it."""
    first, *others = match_temperature(raw, 23.0)
    assert (first.scale, first.offset) == (scale, offset)
    assert all(20.0 <= pair.reading <= 36.0 for pair in others)


def test_warm_electronics_still_match():
    """Ten degrees above the room is listed, twenty are not."""
    assert (1.0, 0.0) in {(pair.scale, pair.offset) for pair in match_temperature(33, 23.0)}
    assert (1.0, 0.0) not in {(pair.scale, pair.offset) for pair in match_temperature(43, 23.0)}


def test_voltage():
    """Tenths of a volt near the typed one; nothing near it is none."""
    assert match_voltage(481.0, 10.0, 48.0)[0].scale == 0.1
    assert match_voltage(300.0, 10.0, 48.0) == ()


def test_any_multiple_of_five_below_zero_may_be_the_lowest_reading():
    """Whole degrees from -55: listed, and behind what is usual."""
    pairs = [(pair.scale, pair.offset) for pair in match_temperature(78, 23.0)]
    assert (1.0, -55.0) in pairs
    assert pairs[0] == (1.0, -50.0)


def test_voltages_count_in_ones_twos_and_fives():
    """Fiftieths of a volt, and two and five thousandths."""
    for raw, scale in ((2410.0, 0.02), (9640.0, 0.005), (24100.0, 0.002)):
        assert match_voltage(raw, 4.0, 48.0)[0].scale == scale
