"""Torques made from current, put right by the torque per ampere that was measured. Pure.

Where the bench file's constant is off, every torque that was made from current by it is as much
off. The measured one corrects them all by one ratio, whose uncertainty is one error in all of them:
a shared source, which no repetition makes smaller and which cancels where an arm is shared.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from logger.findings.finding import TORQUE_CONSTANT, IntervalBy, UncertaintyPart
from logger.findings.uncertainty import (
    combined_uncertainty,
    effective_freedom,
    parts_of,
    student_factor,
)
from replay.sheet.combining import Correction, Measured, SourcedQuantity

__all__ = ["corrected_quantities", "stored_constant"]


def stored_constant(one: SourcedQuantity) -> float | None:
    """Return the N.m per ampere by which a quantity was made from current; None: by none."""
    stored = one.quantity.conditions.get(TORQUE_CONSTANT)
    is_number = isinstance(stored, float) and math.isfinite(stored) and stored > 0.0
    return stored if is_number and isinstance(stored, float) else None


def corrected_quantities(
    found: Iterable[SourcedQuantity], per_ampere: Measured, *, specimen: str
) -> Iterator[SourcedQuantity]:
    """Yield quantities, those made from current by another constant times measured over stored.

    Parameters
    ----------
    per_ampere
        The torque per ampere that was measured of the same specimen, N.m/A.
    specimen
        Its key: names what is the same error in all torques of this joint, and of no other.
    """
    for one in found:
        stored = stored_constant(one)
        if stored is None or per_ampere.value <= 0.0:
            yield one
        else:
            yield _corrected(one, stored, per_ampere, specimen)


def _corrected(
    one: SourcedQuantity, stored: float, per_ampere: Measured, specimen: str
) -> SourcedQuantity:
    quantity = one.quantity
    factor = per_ampere.value / stored
    value = factor * quantity.value
    own = [
        part.model_copy(update={"contribution": factor * part.contribution})
        for part in parts_of(quantity)
    ]
    ratio = [_shared(part, value / per_ampere.value, specimen) for part in per_ampere.parts]
    parts = (*own, *ratio)
    # Each side widened by itself: an interval by draws or a profile need not be symmetric.
    reach = student_factor(effective_freedom(ratio)) * combined_uncertainty(ratio)
    low, high = (
        value + math.copysign(math.hypot(factor * (end - quantity.value), reach), sign)
        for end, sign in ((quantity.low, -1.0), (quantity.high, 1.0))
    )
    corrected = quantity.model_copy(
        update={
            "value": value,
            "standard_uncertainty": combined_uncertainty(parts),
            "low": low,
            "high": high,
            "degrees_of_freedom": effective_freedom(parts)
            if quantity.interval_by in {IntervalBy.STUDENT, IntervalBy.NORMAL}
            else quantity.degrees_of_freedom,
            "parts": parts,
        }
    )
    return replace(
        one,
        quantity=corrected,
        correction=Correction(factor=factor, stored=stored, measured=per_ampere.value),
    )


def _shared(part: UncertaintyPart, share: float, specimen: str) -> UncertaintyPart:
    """Return a part of the torque per ampere as one of a torque: the same in all of this joint."""
    source = part.source if part.shared else f"torque per ampere of {specimen}, {part.source}"
    return UncertaintyPart(
        source=source[:80],
        contribution=share * part.contribution,
        degrees_of_freedom=part.degrees_of_freedom,
        shared=True,
    )
