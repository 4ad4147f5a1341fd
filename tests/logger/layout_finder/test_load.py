"""Current and torque are told from friction and from the angle by the weight on the arm."""

from dataclasses import replace

import numpy as np
import pytest

from logger.layout_finder.load import STANDARD_GRAVITY, fit_load
from logger.layout_finder.motion import fit_position
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
