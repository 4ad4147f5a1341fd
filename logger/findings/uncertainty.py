"""Parts of uncertainty, combined by source, and the interval of 95 % that they make. Pure.

Parts of one source are one error: they add with their signs. Different sources are independent:
they add as squares (law of propagation, JCGM 100:2008, 5.1.2; there as elsewhere known to us by
quotation). Degrees of freedom of the whole are those of Welch and Satterthwaite (JCGM 100, G.4.1).
"""

import math
from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np
from scipy.special import stdtr, stdtrit

from logger.arrays import Floats
from logger.findings.finding import FoundQuantity, IntervalBy, UncertaintyPart

__all__ = [
    "NORMAL_95",
    "chance_of",
    "chances_of",
    "combined_uncertainty",
    "effective_freedom",
    "merged_parts",
    "parts_of",
    "quantity_from_parts",
    "student_factor",
    "student_factors",
    "welch_satterthwaite",
]

NORMAL_95: Final = 1.959963984540054
"""Two-sided 95 % quantile of the normal distribution."""
_MOST_FREEDOM: Final = 1e9


def student_factors(degrees_of_freedom: Floats, confidence: Floats | float = 0.95) -> Floats:
    """Return two-sided quantiles of Student's t, one for each; inf: of the normal distribution."""
    freedom = np.minimum(degrees_of_freedom, _MOST_FREEDOM)
    return np.asarray(stdtrit(freedom, 0.5 + confidence / 2.0))


def student_factor(degrees_of_freedom: float | None, confidence: float = 0.95) -> float:
    """Return the two-sided quantile of Student's t; None: of the normal distribution."""
    freedom = math.inf if degrees_of_freedom is None else degrees_of_freedom
    return float(student_factors(np.array(freedom), confidence))


def chances_of(values: Floats, uncertainties: Floats, degrees_of_freedom: Floats) -> Floats:
    """Return how likely chance alone gives values as far from zero, on either side."""
    freedom = np.minimum(degrees_of_freedom, _MOST_FREEDOM)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(values == 0.0, 0.0, np.abs(values) / uncertainties)
    return np.asarray(2.0 * stdtr(freedom, -ratio))


def chance_of(value: float, uncertainty: float, degrees_of_freedom: float | None) -> float:
    """Return how likely chance alone gives a value as far from zero; None: known beforehand."""
    freedom = math.inf if degrees_of_freedom is None else degrees_of_freedom
    return float(chances_of(np.array(value), np.array(uncertainty), np.array(freedom)))


def welch_satterthwaite(contributions: Floats, freedoms: Floats) -> tuple[Floats, Floats]:
    """Return combined uncertainties and their degrees of freedom.

    Parameters
    ----------
    contributions, freedoms
        Of independent sources, along the last axis; a freedom of inf: known beforehand.

    Returns
    -------
    uncertainty, freedom
        Without the last axis; inf where all parts are known.
    """
    variance = np.sum(contributions**2, axis=-1)
    shares = np.sum(contributions**4 / freedoms, axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = np.where(shares > 0.0, variance**2 / shares, np.inf)
    return np.sqrt(variance), freedom


def combined_uncertainty(parts: Iterable[UncertaintyPart]) -> float:
    """Return the standard uncertainty of a quantity from its parts."""
    return float(_combined(parts)[0])


def effective_freedom(parts: Iterable[UncertaintyPart]) -> float | None:
    """Return the degrees of freedom of the combined uncertainty; None: unlimited."""
    freedom = float(_combined(parts)[1])
    return freedom if math.isfinite(freedom) else None


def _combined(parts: Iterable[UncertaintyPart]) -> tuple[Floats, Floats]:
    merged = merged_parts(parts)
    freedoms = [one.degrees_of_freedom or math.inf for one in merged]
    return welch_satterthwaite(
        np.array([one.contribution for one in merged]), np.array(freedoms, dtype=float)
    )


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


def merged_parts(parts: Iterable[UncertaintyPart]) -> tuple[UncertaintyPart, ...]:
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
    return (*own, *shared.values())
