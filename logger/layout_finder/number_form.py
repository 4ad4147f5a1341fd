"""How the bits of a field are read as a number: sign, offset, sign and magnitude, float. Pure."""

from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import ORDERS, BitField, as_signed, read_field
from logger.layout_finder.field_cost import LEAST_SIGNED
from logger.layout_finder.traffic import Bytes

__all__ = ["NumberForm", "choose_form", "find_floats", "read_number"]

FLOAT_BYTES: Final = 4
_FLOAT_SIZES: Final = (1e-6, 1e7)
_SLOW_SIZES: Final = (4.0, 512.0)
_SLOW_FRACTIONS: Final = 200
_FIRST_LOOK: Final = 120
_SMOOTH: Final = 0.35
_STEADY: Final = 0.0
_LOWEST_BITS: Final = 8
_LEAST_TOGGLES: Final = 0.2
_NEAR_MIDDLE: Final = 0.02
_BOTH_WAYS: Final = 0.2


class NumberForm(Enum):
    """How bits make a number."""

    UNSIGNED = "unsigned"
    TWOS_COMPLEMENT = "twos_complement"
    OFFSET_BINARY = "offset_binary"
    """Unsigned, and nothing is half of the range."""
    SIGN_MAGNITUDE = "sign_magnitude"
    """The highest bit is the sign of the rest."""
    FLOAT = "float"
    """IEEE 754, 32 bits."""


@dataclass(frozen=True)
class FloatField:
    """Four bytes that are read as a float."""

    field: BitField
    smoothness: float
    """Steps from frame to frame over the spread of all; noise has about 1.4."""


def read_number(payload: Bytes, field: BitField, form: NumberForm) -> Floats:
    """Return a field of each frame as a number, float64[n]; a float that is not finite as 0."""
    if form is NumberForm.FLOAT:
        raw = read_field(payload, field).astype(np.uint32)
        # Any 32 bits are tried, and those of whole numbers may be a signalling NaN.
        with np.errstate(invalid="ignore"):
            value = raw.view(np.float32).astype(np.float64)
        return np.where(np.isfinite(value), value, 0.0)
    raw_value = read_field(payload, field)
    half = 1 << (field.length - 1)
    if form is NumberForm.TWOS_COMPLEMENT:
        return as_signed(raw_value, field.length).astype(np.float64)
    if form is NumberForm.OFFSET_BINARY:
        return (raw_value - half).astype(np.float64)
    if form is NumberForm.SIGN_MAGNITUDE:
        magnitude = (raw_value & (half - 1)).astype(np.float64)
        return np.where(raw_value & half, -magnitude, magnitude)
    return raw_value.astype(np.float64)


def choose_form(payload: Bytes, field: BitField, rest: slice) -> NumberForm:
    """Return how a field of whole numbers is signed.

    Two's complement, or sign and magnitude, moves less read so than otherwise; offset binary rests
    at half of its range. What never crosses its middle is unsigned, as far as can be seen.
    """
    raw: Ints = read_field(payload, field)
    if field.length < 3:
        return NumberForm.UNSIGNED
    half = 1 << (field.length - 1)
    forms = [NumberForm.UNSIGNED, NumberForm.TWOS_COMPLEMENT]
    if field.length >= LEAST_SIGNED and _is_sign_bit(raw & (half - 1), raw >> (field.length - 1)):
        forms.append(NumberForm.SIGN_MAGNITUDE)
    moved = {
        form: float(np.abs(np.diff(read_number(payload, field, form))).sum()) for form in forms
    }
    least = min(forms, key=lambda form: moved[form])
    if least is not NumberForm.UNSIGNED:
        return least
    resting = raw[rest]
    # It has to go both ways: a slow value may rest there by chance.
    above, below = float(raw.max()) - half, half - float(raw.min())
    both_ways = min(above, below) > _BOTH_WAYS * max(above, below)
    if len(resting) and both_ways and abs(float(np.median(resting)) - half) < _NEAR_MIDDLE * half:
        return NumberForm.OFFSET_BINARY
    return NumberForm.UNSIGNED


def _is_sign_bit(magnitude: Ints, bit: Ints) -> bool:
    """Return whether a bit is the sign of a magnitude: it changes only where that is near zero."""
    rows = np.flatnonzero(bit[1:] != bit[:-1])
    if len(rows) < 2:
        return False
    # Both sides of a change are as far from zero as the value moves in one frame, or in two.
    steps = np.abs(np.diff(magnitude))
    usual = max(float(np.quantile(steps, 0.9)), 1.0)
    near = np.maximum(magnitude[rows], magnitude[rows + 1])
    typical = float(np.quantile(magnitude, 0.9))
    return bool(np.quantile(near, 0.9) <= 4.0 * usual and np.quantile(near, 0.9) < 0.3 * typical)


def find_floats(payload: Bytes, left_out: frozenset[int] = frozenset()) -> tuple[FloatField, ...]:
    """Return the places of 32-bit floats in frames of one kind, uint8[n, bytes].

    Bits of whole numbers read as a float spread over tens of powers of ten, or jump: to be taken
    for one, nearly all have to be of a size that a joint reports, and to move smoothly.
    """
    found: list[FloatField] = []
    width = 8 * payload.shape[1]
    sample = payload[np.unique(np.linspace(0, len(payload) - 1, _FIRST_LOOK).astype(int))]
    for column in range(width - 8 * FLOAT_BYTES + 1):
        for order in ORDERS:
            field = BitField(column, 8 * FLOAT_BYTES, order)
            if field.little_columns & left_out or not _has_float_sizes(sample, field):
                continue
            smoothness = _float_smoothness(payload, field)
            if smoothness is not None:
                found.append(FloatField(field, smoothness))
    found.sort(key=lambda one: one.smoothness)
    kept: list[FloatField] = []
    for one in found:
        if not any(one.field.little_columns & other.field.little_columns for other in kept):
            kept.append(one)
    return tuple(kept)


def _has_float_sizes(sample: Bytes, field: BitField) -> bool:
    """Return whether some frames read as floats of sizes that a joint reports, not all alike."""
    value = read_number(sample, field, NumberForm.FLOAT)
    size = np.abs(value[value != 0.0])
    low, high = _FLOAT_SIZES
    enough = len(size) >= 0.2 * len(value) and len(np.unique(size)) > 0.05 * len(size)
    return bool(enough and np.mean((size > low) & (size < high)) > 0.97)


def _float_smoothness(payload: Bytes, field: BitField) -> float | None:
    """Return how smoothly a float moves; None where the bits are none."""
    value = read_number(payload, field, NumberForm.FLOAT)
    raw = read_field(payload, field)
    size = np.abs(value[value != 0.0])
    spread = float(np.std(value))
    low, high = _FLOAT_SIZES
    if spread == 0.0 or np.mean((size > low) & (size < high)) < 0.999:
        return None
    exponent, fraction = raw >> 23 & 0xFF, raw & 0x7FFFFF
    # The lowest bits of a float are noise, those of whole numbers taken for one are not.
    changes = raw[1:] ^ raw[:-1]
    changes = changes[changes != 0]
    if any(np.mean(changes >> bit & 1) < _LEAST_TOGGLES for bit in range(_LOWEST_BITS)):
        return None
    low, high = _SLOW_SIZES
    used = len(np.unique(fraction)) > min(_SLOW_FRACTIONS, 0.5 * len(value))
    if used and np.all((value > low) & (value < high)) and np.ptp(value) < 0.5 * np.max(value):
        # A temperature or a voltage stays within an octave or two: its upper bits are telling.
        return _STEADY
    # The exponent has to change, and the fraction to be used: small whole numbers do neither.
    powers = np.quantile(np.log2(size), 0.95) - np.quantile(np.log2(size), 0.05)
    if len(np.unique(exponent)) < 3 or len(np.unique(fraction)) <= 30 or powers >= 25.0:
        return None
    smoothness = float(np.std(np.diff(value)) / spread)
    return smoothness if smoothness < _SMOOTH else None
