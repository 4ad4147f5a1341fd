"""Parts of uncertainty, combined by source, and the interval of 95 % that they make. Pure.

Parts of one source are one error: they add with their signs. Different sources are independent:
they add as squares (law of propagation, JCGM 100:2008, 5.1.2; there as elsewhere known to us by
quotation). Degrees of freedom of the whole are those of Welch and Satterthwaite (JCGM 100, G.4.1).
"""

import math
from collections.abc import Iterable, Mapping
from typing import Final

from scipy.special import stdtrit

from logger.findings.finding import FoundQuantity, IntervalBy, UncertaintyPart

__all__ = [
    "NORMAL_95",
    "combined_uncertainty",
    "effective_freedom",
    "parts_of",
    "quantity_from_parts",
    "student_factor",
]

NORMAL_95: Final = 1.959963984540054
"""Two-sided 95 % quantile of the normal distribution."""


def student_factor(degrees_of_freedom: float | None, confidence: float = 0.95) -> float:
    """Return the two-sided quantile of Student's t; None: of the normal distribution."""
    most = 1e9
    freedom = most if degrees_of_freedom is None else min(degrees_of_freedom, most)
    return float(stdtrit(freedom, 0.5 + confidence / 2.0))


def combined_uncertainty(parts: Iterable[UncertaintyPart]) -> float:
    """Return the standard uncertainty of a quantity from its parts."""
    return math.sqrt(sum(one.contribution**2 for one in _by_source(parts)))


def effective_freedom(parts: Iterable[UncertaintyPart]) -> float | None:
    """Return the degrees of freedom of the combined uncertainty; None: unlimited."""
    merged = _by_source(parts)
    variance = sum(one.contribution**2 for one in merged)
    shares = sum(
        one.contribution**4 / one.degrees_of_freedom
        for one in merged
        if one.degrees_of_freedom is not None
    )
    return variance**2 / shares if shares > 0.0 else None


def quantity_from_parts(
    name: str,
    value: float,
    unit: str,
    parts: Iterable[UncertaintyPart],
    *,
    conditions: Mapping[str, bool | float | str] | None = None,
) -> FoundQuantity:
    """Return a quantity whose interval follows from its parts: Student's, or normal."""
    parts = tuple(parts)
    uncertainty, freedom = combined_uncertainty(parts), effective_freedom(parts)
    reach = student_factor(freedom) * uncertainty
    return FoundQuantity(
        name=name,
        value=value,
        unit=unit,
        standard_uncertainty=uncertainty,
        low=value - reach,
        high=value + reach,
        degrees_of_freedom=freedom,
        interval_by=IntervalBy.NORMAL if freedom is None else IntervalBy.STUDENT,
        parts=parts,
        conditions=dict(conditions or {}),
    )


def parts_of(quantity: FoundQuantity) -> tuple[UncertaintyPart, ...]:
    """Return the parts of a quantity; of one without any, its uncertainty as a part of its own."""
    if quantity.parts:
        return quantity.parts
    return (
        UncertaintyPart(
            source=quantity.name,
            contribution=quantity.standard_uncertainty,
            degrees_of_freedom=quantity.degrees_of_freedom,
        ),
    )


def _by_source(parts: Iterable[UncertaintyPart]) -> list[UncertaintyPart]:
    """Return one part for each shared source, contributions added; the others as they are."""
    own: list[UncertaintyPart] = []
    shared: dict[str, UncertaintyPart] = {}
    for part in parts:
        if not part.shared:
            own.append(part)
            continue
        before = shared.get(part.source)
        if before is None:
            shared[part.source] = part
            continue
        known = [
            one for one in (before.degrees_of_freedom, part.degrees_of_freedom) if one is not None
        ]
        shared[part.source] = before.model_copy(
            update={
                "contribution": before.contribution + part.contribution,
                "degrees_of_freedom": min(known, default=None),
            }
        )
    return [*own, *shared.values()]
