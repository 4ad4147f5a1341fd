"""How numbers are read is told by how they move."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.number_form import (
    NumberForm,
    choose_form,
    find_floats,
    read_number,
)
from tests.logger.layout_finder.moved_joint import write_frames

SPEED = (300 * np.sin(np.arange(900) / 80)).astype(int)


def _payload(raw: np.ndarray) -> np.ndarray:
    return np.stack([raw & 0xFF, raw >> 8 & 0xFF], axis=1).astype(np.uint8)


@pytest.mark.parametrize(
    ("form", "raw"),
    [
        (NumberForm.TWOS_COMPLEMENT, SPEED & 0xFFF),
        (NumberForm.OFFSET_BINARY, SPEED + 2048),
        (NumberForm.SIGN_MAGNITUDE, np.abs(SPEED) | (SPEED < 0) << 11),
    ],
)
def test_numbers_are_read_in_each_form(form: NumberForm, raw: np.ndarray):
    """Twelve bits about zero; the form is told."""
    payload, field = _payload(raw), BitField(0, 12)
    assert read_number(payload, field, form).tolist() == SPEED.tolist()
    assert choose_form(payload, field, slice(0, 3)) is form


def test_what_stays_positive_is_unsigned():
    """And a flag above that changes at any value is no sign."""
    raw = SPEED + 500
    assert choose_form(_payload(raw), BitField(0, 12), slice(0, 3)) is NumberForm.UNSIGNED
    flagged = raw | (np.arange(900) // 100 & 1) << 11
    form = choose_form(_payload(flagged), BitField(0, 12), slice(0, 3))
    assert form is not NumberForm.SIGN_MAGNITUDE


@pytest.mark.parametrize("order", ["little", "big"])
def test_floats_are_found(order):
    """A speed in rad/s behind a byte, or behind eleven bits, in either order."""
    value = (SPEED / 37.0 + np.random.default_rng(9).normal(0, 0.02, 900)).astype("<f4")
    raw = value.view(np.uint8).reshape(-1, 4)[:, :: 1 if order == "little" else -1]
    payload = np.hstack([np.full((900, 1), 3, dtype=np.uint8), raw])
    (found,) = find_floats(payload)
    assert found.field == BitField(8, 32, order)
    assert read_number(payload, found.field, NumberForm.FLOAT) == pytest.approx(value)
    shifted = BitField(11, 32, order)
    payload = write_frames({shifted: value.view(np.uint32).astype(np.int64)}, 900, 8)
    (found,) = find_floats(payload)
    assert found.field == shifted


def test_whole_numbers_are_no_floats():
    """Four bytes of two whole numbers, and noise."""
    payload = np.hstack([_payload(SPEED & 0xFFFF), _payload(SPEED + 900)])
    assert find_floats(payload) == ()
    assert find_floats(np.random.default_rng(1).integers(0, 256, (500, 8), dtype=np.uint8)) == ()
    assert find_floats(np.zeros((500, 8), dtype=np.uint8)) == ()
