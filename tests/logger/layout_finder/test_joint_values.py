"""Whose values they are, what is commanded, and whether the turn was slow enough."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.joint_values import find_joint_values, needed_slowness
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.signals import Signal
from logger.layout_finder.traffic import TypedNumbers
from tests.logger.layout_finder.moved_joint import MARKS, move_joint

TYPED = TypedNumbers(mass_kg=2.0, arm_m=0.4)


def _signal(kind: int, value: np.ndarray, time_s: np.ndarray, bits: int = 16) -> Signal:
    field = BitField(0, bits)
    return Signal(kind, field, NumberForm.TWOS_COMPLEMENT, time_s, np.round(value), 90.0, 90.0)


def test_a_request_with_position_and_speed_is_commanded():
    """Without the least noise, beside a position that has some: its kind is a request."""
    time_s, angle = move_joint()
    speed = np.gradient(angle, time_s)
    noise = np.random.default_rng(1).normal(0, 1.5, len(angle))
    signals = [
        _signal(0, angle * 2000.0 + noise, time_s),
        _signal(1, angle * 1000.0, time_s),
        _signal(1, speed * 900.0, time_s),
    ]
    found = find_joint_values(signals, MARKS, TYPED)
    assert set(found.positions) == {0, 1}
    assert found.positions[1].still_at_rest
    assert found.reference is found.positions[0]
    assert set(found.speeds) == {2}
    assert found.commanded_kinds == {1}
    assert not found.other_joint
    alone = find_joint_values(signals[1:], MARKS, TYPED)
    assert alone.commanded_kinds == frozenset()


@pytest.mark.parametrize(("rate_hz", "gear", "too_fast"), [(100.0, 9, False), (20.0, 50, True)])
def test_a_turn_too_fast_for_the_encoder(rate_hz: float, gear: int, too_fast: bool):  # noqa: FBT001
    """A motor's encoder wants five frames for each of its turns; else: how many times slower."""
    time_s, angle = move_joint(rate_hz)
    counts = np.round(angle * gear * 4096 / (2 * np.pi)).astype(int) & 4095
    factor = needed_slowness(_signal(0, counts - 2048.0, time_s, bits=12), MARKS)
    assert (factor > 1.0) is too_fast
    # 50 turns of the motor in 6.5 s at 20 frames a second: 2.6 frames a turn.
    assert factor == pytest.approx(5.0 / 2.6 if too_fast else 1.0, rel=0.15)


def test_nothing_that_moves_has_no_reference():
    """Signals that stay are held against nothing."""
    time_s, angle = move_joint()
    still = _signal(0, np.zeros(len(angle)), time_s)
    found = find_joint_values([still], MARKS, TYPED)
    assert (found.reference, found.positions, found.loads) == (None, {}, {})


def test_two_loads_that_are_about_as_noisy_are_both_in_doubt():
    """What was asked for may be as noisy as what was measured; without noise it is told."""
    time_s, angle = move_joint()
    noise = np.random.default_rng(2)
    torque = 2.0 * 0.4 * 9.80665 * np.sin(angle) + 0.8 * np.tanh(np.gradient(angle, time_s) / 0.02)

    def load(kind: int, spread: float) -> Signal:
        return _signal(kind, torque * 60.0 + noise.normal(0, spread, len(angle)), time_s)

    position = _signal(0, angle * 2000.0 + noise.normal(0, 1.5, len(angle)), time_s)
    alike = find_joint_values([position, load(0, 6.0), load(1, 5.0)], MARKS, TYPED)
    assert set(alike.loads) == alike.doubtful_loads == {1, 2}
    told = find_joint_values([position, load(0, 20.0), load(1, 0.5)], MARKS, TYPED)
    assert (told.doubtful_loads, told.commanded_loads) == (frozenset(), {2})


def test_a_load_beside_a_commanded_speed_may_be_measured():
    """A drive that reports repeats what it was asked: the load's own noise tells."""
    time_s, angle = move_joint()
    noise = np.random.default_rng(5)
    speed = np.gradient(angle, time_s)
    torque = 2.0 * 0.4 * 9.80665 * np.sin(angle) + 0.8 * np.tanh(speed / 0.02)
    position = _signal(0, angle * 2000.0 + noise.normal(0, 1.5, len(angle)), time_s)
    measured = _signal(2, speed * 900.0 + noise.normal(0, 9.0, len(angle)), time_s)
    asked = _signal(1, speed * 900.0, time_s)
    for spread, commanded in ((20.0, frozenset()), (0.3, {3})):
        load = _signal(1, torque * 60.0 + noise.normal(0, spread, len(angle)), time_s)
        found = find_joint_values([position, measured, asked, load], MARKS, TYPED)
        assert set(found.loads) == {3}
        assert found.commanded_kinds == {1}
        assert found.commanded_loads == commanded
