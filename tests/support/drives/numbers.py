"""How a quantity is written as a number: sizes, units, sign forms."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.support.drives.truth import Floats, Ints, Meaning, Side, SignForm

__all__ = ["FieldPlan", "raw_bits", "whole_numbers"]


@dataclass(frozen=True, kw_only=True)
class FieldPlan:
    """One field before its course is known; see `FieldTruth` for what it shares with that."""

    name: str
    meaning: Meaning
    source: str
    """Name of the course that it tells."""
    bits: int
    sign_form: SignForm = SignForm.UNSIGNED
    scale: float = 1.0
    offset: float = 0.0
    noise: float = 0.0
    """Standard deviation in SI units at the output."""
    lag_s: float = 0.0
    side: Side | None = None
    wrap_counts: int | None = None
    ampere_scale: float | None = None
    is_setpoint: bool = False
    constant: int | None = None
    """What a constant tells."""
    order: str = "little"
    is_split: bool = False
    places: tuple[int, ...] = ()

    def placed(self, places: tuple[int, ...], order: str, *, is_split: bool) -> "FieldPlan":
        """Return the same field at a place."""
        return replace(self, places=places, order=order, is_split=is_split)

    @property
    def lowest(self) -> int:
        """The lowest number that can be told."""
        if self.wrap_counts is not None:
            return 0 if self.sign_form is SignForm.UNSIGNED else -(self.wrap_counts // 2)
        if self.sign_form is SignForm.UNSIGNED:
            return 0
        half = 1 << (self.bits - 1)
        return 1 - half if self.sign_form is SignForm.SIGN_MAGNITUDE else -half

    @property
    def highest(self) -> int:
        """The highest number that can be told."""
        if self.wrap_counts is not None:
            return self.lowest + self.wrap_counts - 1
        if self.sign_form is SignForm.UNSIGNED:
            return (1 << self.bits) - 1
        return (1 << (self.bits - 1)) - 1


def whole_numbers(field: FieldPlan, course: Floats) -> tuple[Ints, Floats]:
    """Return the numbers that tell a course, and the course as far as they can tell it."""
    if field.wrap_counts is not None:
        number = np.rint((course - field.offset) / field.scale).astype(np.int64)
        return (number - field.lowest) % field.wrap_counts + field.lowest, course
    exact = np.clip((course - field.offset) / field.scale, field.lowest, field.highest)
    return np.rint(exact).astype(np.int64), exact * field.scale + field.offset


def raw_bits(field: FieldPlan, course: Floats) -> tuple[NDArray[np.uint64], Floats]:
    """Return the raw bits that tell a course, and the course as far as they can tell it."""
    if field.sign_form is SignForm.FLOAT32:
        single = ((course - field.offset) / field.scale).astype(np.float32)
        return single.view(np.uint32).astype(np.uint64), course
    number, told = whole_numbers(field, course)
    if field.sign_form is SignForm.OFFSET_BINARY:
        number = number + (1 << (field.bits - 1))
    elif field.sign_form is SignForm.SIGN_MAGNITUDE:
        number = np.abs(number) | ((number < 0).astype(np.int64) << (field.bits - 1))
    return number.astype(np.uint64) & np.uint64((1 << field.bits) - 1), told
