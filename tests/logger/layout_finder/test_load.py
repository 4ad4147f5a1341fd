"""Current and torque are told from friction and from the angle by the weight on the arm."""

from dataclasses import replace

import numpy as np
import pytest

from logger.layout_finder.load import STANDARD_GRAVITY, fit_load
from logger.layout_finder.motion import PositionFit, fit_position
from logger.layout_finder.traffic import TypedNumbers
from tests.logger.layout_finder.moved_joint import MARKS, move_joint

TYPED = TypedNumbers(mass_kg=2.0, arm_m=0.4)
NOISE = np.random.default_rng(4)


def _joint():
    time_s, angle = move_joint()
    counts = np.round(angle * 500.0 + NOISE.normal(0, 0.6, len(angle)))
    position = fit_position(time_s, counts, 1 << 16, MARKS, 1)
    assert position is not None
    return time_s, angle, counts, position


@pytest.mark.parametrize("sign", [1, -1])
def test_the_slope_is_counts_per_nm(sign: int):
    """Gravity, both frictions, an offset and noise: the scale within 2 %."""
    time_s, angle, _, position = _joint()
    speed = np.gradient(angle, time_s)
    torque = 2.0 * 0.4 * STANDARD_GRAVITY * np.sin(angle) + 0.9 * np.tanh(speed / 0.02)
    value = np.round(sign * 60.0 * (torque + 0.4 * speed) + 25.0 + NOISE.normal(0, 25, len(angle)))
    fit = fit_load(time_s, value, time_s, position, TYPED)
    assert fit is not None
    assert fit.nm_per_count == pytest.approx(sign / 60.0, rel=0.02)
    assert fit.relative_uncertainty < 0.02
    assert abs(fit.coulomb_counts) == pytest.approx(54.0, rel=0.3)
    unweighed = fit_load(time_s, value, time_s, position, replace(TYPED, mass_kg=None))
    assert unweighed is not None
    assert unweighed.nm_per_count is None


def test_position_speed_and_friction_are_no_load():
    """What goes with the angle, with the speed or only with friction."""
    time_s, angle, counts, position = _joint()
    speed = np.gradient(angle, time_s) * 400.0
    friction = 50.0 * np.tanh(speed / 10.0) + NOISE.normal(0, 4.0, len(angle))
    for value in (counts, speed, friction, NOISE.normal(0, 30, len(angle))):
        assert fit_load(time_s, np.round(value), time_s, position, TYPED) is None


def test_what_warms_under_the_weight_is_no_load():
    """It rises while the arm goes down: by the angle alone, nearly all of it is a weight's."""
    time_s = np.arange(0.0, 33.0, 0.01)
    way = np.zeros(len(time_s))
    for start, end, by in ((1.0, 10.0, 1.58), (12.0, 22.0, -3.16), (24.0, 32.5, 1.58)):
        done = np.clip((time_s - start) / (end - start), 0.0, 1.0)
        way += by * done**3 * (10.0 - 15.0 * done + 6.0 * done**2)
    warm = 487.0 + 20.0 * np.tanh((time_s - 17.0) / 3.0)
    marks = replace(MARKS, load=(0.3, 32.5))
    position = PositionFit(1.0, 6.28, 0.0, 0.0, None, False, marks, way)  # noqa: FBT003
    value = np.round(warm + NOISE.normal(0, 1.0, len(time_s)))
    assert fit_load(time_s, value, time_s, position, TYPED) is None
    torque = np.round(60.0 * np.sin(way) + 0.05 * value + NOISE.normal(0, 3.0, len(time_s)))
    assert fit_load(time_s, torque, time_s, position, TYPED) is not None


@pytest.mark.parametrize(("turn_deg", "ratio"), [(360.0, 1.0), (374.4, 1.04), (345.6, 0.96)])
@pytest.mark.parametrize("swing", [0.97, 1.0, 1.03])
def test_the_weight_tells_how_far_the_turn_was(turn_deg: float, ratio: float, swing: float):
    """Whether the arm was held at 90 degrees or three per cent beside it."""
    time_s, angle = move_joint(turn_deg=turn_deg)
    angle = np.where((time_s > 22.0) & (time_s < 48.0), swing * angle, angle)
    counts = np.round(angle * 500.0 + NOISE.normal(0, 0.6, len(angle)))
    position = fit_position(time_s, counts, 1 << 16, MARKS, 1)
    assert position is not None
    torque = 2.0 * 0.4 * STANDARD_GRAVITY * np.sin(angle)
    torque += 0.9 * np.tanh(np.gradient(angle, time_s) / 0.02)
    value = np.round(60.0 * torque + NOISE.normal(0, 8, len(angle)))
    fit = fit_load(time_s, value, time_s, position, TYPED)
    assert fit is not None
    assert fit.turn_ratio == pytest.approx(ratio, abs=0.012)
    assert fit.turn_ratio_spread < 0.02
