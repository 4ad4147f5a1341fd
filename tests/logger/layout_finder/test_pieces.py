"""Pieces that only together follow the joint are put together; what is not theirs is left."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField, read_field
from logger.layout_finder.joint_values import find_joint_values
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.pieces import grow_values, join_by_motion
from logger.layout_finder.signals import Kind, Signal
from logger.layout_finder.traffic import TypedNumbers
from tests.logger.layout_finder.moved_joint import MARKS, move_joint, write_frames

TYPED = TypedNumbers(mass_kg=2.0, arm_m=0.4)
POSITION = BitField(0, 16)
RANDOM = np.random.default_rng(7)


def _put_together(bits: dict, cut: tuple[BitField, ...], time_s: np.ndarray, width: int = 8):
    """Return what becomes of fields, of frames with these bits that were cut so."""
    payload = write_frames(bits, len(time_s), width)
    kind = Kind(0x120, False, time_s, payload, None, None, None, ())  # noqa: FBT003
    signals = tuple(
        Signal(
            *(0, field, NumberForm.UNSIGNED, time_s, read_field(payload, field).astype(float)),
            *(30.0, 30.0),
        )
        for field in cut
    )
    for _ in range(2):
        found = find_joint_values(signals, MARKS, TYPED)
        grown = grow_values(signals, (kind,), found)
        shorter = len(grown) < len(signals)
        signals = grown if shorter else join_by_motion(signals, (kind,), found, MARKS, TYPED)
    return signals


def _counts(angle: np.ndarray, per_rad: float, noise: float) -> np.ndarray:
    return np.round(angle * per_rad + RANDOM.normal(0, noise, len(angle))).astype(int)


def _position(angle: np.ndarray) -> np.ndarray:
    return _counts(angle, 4000.0, 1.0) + 20000


@pytest.mark.parametrize("sign", [BitField(27, 1), BitField(31, 1), BitField(40, 1)])
def test_a_magnitude_and_its_sign(sign: BitField):
    """Side by side, with unused bits between, or quite apart: a speed."""
    time_s, angle = move_joint()
    speed = _counts(np.gradient(angle, time_s), 900.0, 40.0)
    magnitude = BitField(16, 11)
    bits = {POSITION: _position(angle), magnitude: np.abs(speed), sign: (speed < 0).astype(int)}
    position, joined = _put_together(bits, (POSITION, magnitude, sign), time_s)
    assert position.field == POSITION
    assert joined.form is NumberForm.SIGN_MAGNITUDE
    assert joined.field.little_columns >= magnitude.little_columns | sign.little_columns
    assert joined.value.tolist() == speed.tolist()


def test_a_position_of_magnitude_and_sign_that_starts_again():
    """Nothing else tells the movement: the turn and the load step do."""
    time_s, angle = move_joint()
    way = _counts(angle, 6 * 4096 / (2 * np.pi), 1.0)
    value = (way + 2048) % 4096 - 2048
    magnitude, sign = BitField(8, 11), BitField(19, 1)
    bits = {magnitude: np.minimum(np.abs(value), 2047), sign: (value < 0).astype(int)}
    (joined,) = _put_together(bits, (magnitude, sign), time_s)
    assert (joined.field, joined.form) == (BitField(8, 12), NumberForm.SIGN_MAGNITUDE)
    found = find_joint_values((joined,), MARKS, TYPED)
    assert found.positions[0].modulus == 4096


def test_bits_that_go_on_above_are_its_own():
    """A count of which the upper bits were cut off as a number; a flag there stays a flag."""
    time_s, angle = move_joint()
    way = _counts(angle, 3 * 4096 / (2 * np.pi), 1.0) + 9000
    lower, upper, flag = BitField(0, 12), BitField(12, 3), BitField(15, 1)
    on = (time_s > 30.0).astype(int)
    whole = _put_together({BitField(0, 15): way, flag: on}, (lower, upper, flag), time_s)
    assert [one.field for one in whole] == [BitField(0, 15), flag]
    beside = _put_together(
        {lower: way & 4095, BitField(12, 1): on}, (lower, BitField(12, 1)), time_s
    )
    assert [one.field for one in beside] == [lower, BitField(12, 1)]


def test_the_lowest_bits_of_a_noisy_value_are_its_own():
    """Evenly spread and without memory they are no value; a slow neighbour is."""
    time_s, angle = move_joint()
    speed = _counts(np.gradient(angle, time_s), 60000.0, 4000.0)
    bits = {POSITION: _position(angle), BitField(16, 18): speed & 0x3FFFF}
    cut = (POSITION, BitField(16, 8), BitField(24, 10))
    _, joined = _put_together(bits, cut, time_s)
    assert joined.field == BitField(16, 18)
    slow = np.round(90.0 + 40.0 * time_s / 75.0).astype(int)
    bits = {POSITION: _position(angle), BitField(16, 8): slow, BitField(24, 10): speed >> 8 & 0x3FF}
    assert [one.field for one in _put_together(bits, cut, time_s)] == list(cut)
