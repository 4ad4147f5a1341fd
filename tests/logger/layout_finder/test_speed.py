"""Speeds are told by the derivative of the position, their scale by the integral."""

import numpy as np
import pytest

from logger.layout_finder.motion import fit_position
from logger.layout_finder.speed import fit_speed, fit_speed_alone
from tests.logger.layout_finder.moved_joint import MARKS, move_joint

NOISE = np.random.default_rng(3)


def _speed(rate_hz: float = 100.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    time_s, angle = move_joint(rate_hz)
    speed = np.gradient(angle, time_s)
    filtered = np.convolve(speed, np.ones(8) / 8, mode="full")[: len(speed)]
    return time_s, angle, np.round(filtered * 700.0 + 12.0 + NOISE.normal(0, 15.0, len(speed)))


def test_a_speed_beside_a_position():
    """Filtered, noisy, with an offset, and at another rate than the position: within 1 %."""
    time_s, angle, value = _speed()
    slow = slice(None, None, 2)
    counts = np.round(angle * 500.0 + NOISE.normal(0, 0.6, len(angle)))
    position = fit_position(time_s[slow], counts[slow], 1 << 16, MARKS, 1)
    assert position is not None
    fit = fit_speed(time_s, value, time_s[slow], position)
    assert fit is not None
    assert fit.rad_s_per_count == pytest.approx(1 / 700.0, rel=0.01)
    assert fit.zero_counts == pytest.approx(12.0, abs=3.0)
    assert fit.correlation > 0.95
    friction = np.round(40.0 * np.sign(value - 12.0) + NOISE.normal(0, 3.0, len(value)))
    for other in (np.abs(value), counts, friction):
        assert fit_speed(time_s, other, time_s[slow], position) is None


@pytest.mark.parametrize("positive", [1, -1])
def test_a_speed_without_a_position(positive: int):
    """Its integral closes, and gives half of the turn under the load; friction's does not."""
    time_s, angle, value = _speed()
    alone = fit_speed_alone(time_s, value, MARKS, positive)
    assert alone is not None
    fit, made = alone
    assert fit.rad_s_per_count == pytest.approx(positive / 700.0, rel=0.01)
    assert made.unwrapped[-1] * made.rad_per_count == pytest.approx(
        positive * (angle[-1] - angle[0]), abs=0.35
    )
    friction = 40.0 * np.sign(value - 12.0) * (np.abs(value - 12.0) > 60.0)
    assert fit_speed_alone(time_s, friction, MARKS, 1) is None
