"""Positions are told by the turn and by half of it; marks are corrected by when it moved."""

from dataclasses import replace

import numpy as np
import pytest

from logger.layout_finder.motion import correct_marks, fit_position, restart_of
from tests.logger.layout_finder.moved_joint import MARKS, move_joint

NOISE = np.random.default_rng(2)


def _counts(angle: np.ndarray, per_rad: float) -> np.ndarray:
    return np.round(angle * per_rad + 200.0 + NOISE.normal(0, 0.6, len(angle)))


@pytest.mark.parametrize("positive", [1, -1])
def test_a_position_that_counts_on(positive: int):
    """The scale is that of the turn, its sign that of the way that counts positive."""
    time_s, angle = move_joint()
    fit = fit_position(time_s, _counts(angle, 500.0), 1 << 16, MARKS, positive)
    assert fit is not None
    assert fit.rad_per_count == pytest.approx(positive / 500.0, rel=0.005)
    assert (fit.modulus, fit.still_at_rest) == (None, False)
    assert abs(fit.half_turn_error) < 0.01


def test_a_position_that_starts_again():
    """An encoder of 4096 counts on the motor, nine turns to one: the modulus is told."""
    time_s, angle = move_joint()
    value = _counts(angle, 9 * 4096 / (2 * np.pi)) % 4096
    fit = fit_position(time_s, value, 4096, MARKS, 1)
    assert fit is not None
    assert fit.modulus == 4096
    assert fit.travel_counts == pytest.approx(9 * 4096, rel=0.005)


def test_a_turn_wrong_by_four_per_cent_contradicts_the_load_step():
    """The span of the load step is that much less than half of it."""
    time_s, angle = move_joint(turn_deg=374.4)
    fit = fit_position(time_s, _counts(angle, 500.0), 1 << 16, MARKS, 1)
    assert fit is not None
    assert fit.half_turn_error == pytest.approx(-0.0385, abs=0.006)


def test_marks_two_seconds_off_are_corrected():
    """Marks in the midst of a movement go to its nearer end; the scale stays."""
    time_s, angle = move_joint()
    late = replace(MARKS, rest=(1.0, 7.0), turn=(7.5, 23.3), load=(24.5, 48.3))
    early = replace(MARKS, turn=(3.6, 19.6), load=(20.6, 44.6))
    for marks in (late, early):
        fit = fit_position(time_s, _counts(angle, 500.0), 1 << 16, marks, 1)
        assert fit is not None
        assert fit.rad_per_count == pytest.approx(1 / 500.0, rel=0.01)
        assert abs(fit.half_turn_error) < 0.02
    corrected = correct_marks(time_s, angle * 500.0, late)
    assert corrected.rest is not None
    assert corrected.rest[1] <= 6.1


def test_what_is_commanded_is_perfectly_still():
    """A value without noise at rest may be commanded: that is told."""
    time_s, angle = move_joint()
    fit = fit_position(time_s, np.round(angle * 500.0), 1 << 16, MARKS, 1)
    assert fit is not None
    assert fit.still_at_rest


def test_other_movements_are_no_position():
    """A speed, a slow drift, noise, what does not return, and no mark of a turn."""
    time_s, angle = move_joint()
    speed = np.gradient(angle, time_s) * 400.0
    for value in (speed, time_s * 10.0, NOISE.normal(0, 50, len(time_s)), np.abs(speed)):
        assert fit_position(time_s, np.round(value), 1 << 16, MARKS, 1) is None
    assert fit_position(time_s, np.round(angle * 300 + time_s * 20), 1 << 16, MARKS, 1) is None
    assert (
        fit_position(time_s, _counts(angle, 500.0), 1 << 16, replace(MARKS, turn=None), 1) is None
    )


def test_a_float_has_no_least_step():
    """A position in rad spans six: no size of its own is asked for."""
    time_s, angle = move_joint()
    fit = fit_position(time_s, angle + NOISE.normal(0, 1e-3, len(angle)), None, MARKS, 1)
    assert fit is not None
    assert fit.rad_per_count == pytest.approx(1.0, rel=0.005)


def test_a_count_that_starts_again_before_its_bits_are_full():
    """3600 counts in twelve bits; one that uses them all; a round number is preferred."""
    way = np.cumsum(np.random.default_rng(3).normal(40.0, 12.0, 3000)).astype(np.int64)
    assert restart_of(way % 3600, 4096) == 3600
    assert restart_of(way % 4096, 4096) == 4096
    assert restart_of(np.zeros(50, dtype=np.int64), 4096) == 4096


def test_counts_about_zero_that_start_again_early():
    """From 17999 to -18000: unsigned, the sixteen bits jump by less than half of their range."""
    time_s, angle = move_joint()
    way = np.round(angle * 9 * 36000 / (2 * np.pi) + NOISE.normal(0, 2.0, len(angle)))
    fit = fit_position(time_s, (way + 18000) % 36000 - 18000, 1 << 16, MARKS, 1)
    assert fit is not None
    assert (fit.modulus, fit.about_zero) == (36000, True)
    assert np.allclose(np.diff(fit.unwrapped), np.diff(way))


def test_swings_about_a_restart_hide_no_restart():
    """Read with a sign, 3599 to 0 is a small step: the unsigned reading tells the restart."""
    time_s, angle = move_joint()
    way = np.round(angle * 8 * 3600 / (2 * np.pi) + NOISE.normal(0, 1.0, len(angle)))
    value = way % 3600
    signed = np.where(value >= 2048, value - 4096, value)
    fit = fit_position(time_s, signed, 4096, MARKS, 1)
    assert fit is not None
    assert (fit.modulus, fit.about_zero) == (3600, False)


def test_what_stands_still_is_no_position():
    """Also the integral of a speed that is always nothing."""
    time_s = np.arange(0.0, 60.0, 0.05)
    assert fit_position(time_s, np.zeros(len(time_s)), None, MARKS, 1) is None
