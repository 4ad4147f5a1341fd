"""Specimens beside each other: differences, and whether they are more than chance. Pure.

Parts of uncertainty that both share by source (one arm, one scale) cancel as far as they are the
same. The word "more than chance" is Holm's: over all questions that are shown at once, wrong in at
most 5 of 100 comparisons of equal specimens. The intervals beside it hold simultaneously
(Bonferroni), and end at zero where Holm tells a difference that they alone would not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.finding import UncertaintyPart
from logger.findings.uncertainty import (
    chance_of,
    combined_uncertainty,
    effective_freedom,
    student_factor,
)
from replay.sheet.combining import Measured
from replay.sheet.conditions import Mismatch, mismatches

__all__ = [
    "MOST_COMPARED",
    "Comparison",
    "Difference",
    "compare_specimens",
    "difference_parts",
    "holm_corrected",
]

MOST_COMPARED: Final = 6
_WRONG: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One quantity of two specimens: the first less the second."""

    first: str
    """Key of the specimen."""
    second: str
    name: str
    unit: str
    value: float
    standard_uncertainty: float
    degrees_of_freedom: float | None
    low: float
    """Lower end of the 95 % interval of this difference alone."""
    high: float
    low_all: float
    """Lower end of the interval that holds together with all others shown, in 95 of 100."""
    high_all: float
    chance: float
    """How likely chance alone gives as large a difference, this question alone."""
    chance_all: float
    """After Holm's correction for all questions shown."""
    is_more_than_chance: bool
    of_first: Measured
    of_second: Measured
    shared: tuple[str, ...]
    """Sources that both name, which cancel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """A quantity that two specimens have under unlike conditions: not compared."""

    first: str
    second: str
    name: str
    mismatches: tuple[Mismatch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All that is shown of specimens beside each other."""

    differences: tuple[Difference, ...]
    apart: tuple[Apart, ...]

    @property
    def questions(self) -> int:
        """How many differences are asked at once."""
        return len(self.differences)


def difference_parts(one: Measured, other: Measured) -> tuple[UncertaintyPart, ...]:
    """Return the parts of uncertainty of `one` less `other`; what they share is subtracted."""
    negative = [
        part.model_copy(update={"contribution": -part.contribution}) for part in other.parts
    ]
    return (*one.parts, *negative)


def holm_corrected(chances: Floats) -> Floats:
    """Return chances after Holm's step-down correction, along the last axis.

    Below 5 % they say "more than chance", wrong in at most 5 of 100 sets of equal things.
    """
    order = np.argsort(chances, axis=-1)
    ordered = np.take_along_axis(chances, order, axis=-1)
    left = np.arange(chances.shape[-1], 0, -1)
    stepped = np.minimum(np.maximum.accumulate(ordered * left, axis=-1), 1.0)
    corrected = np.empty_like(stepped)
    np.put_along_axis(corrected, order, stepped, axis=-1)
    return corrected


def compare_specimens(measured: Mapping[str, Sequence[Measured]]) -> Comparison:
    """Return the differences of specimens, pair by pair.

    `measured`: key of each specimen -> its values, one for each quantity and conditions.
    """
    pairs: list[tuple[str, str, Measured, Measured]] = []
    apart: list[Apart] = []
    for first, second in combinations(measured, 2):
        for name in dict.fromkeys(one.name for one in measured[first]):
            mine = [one for one in measured[first] if one.name == name]
            theirs = [one for one in measured[second] if one.name == name]
            if not theirs:
                continue
            alike = next(
                (
                    (one, other)
                    for one in mine
                    for other in theirs
                    if one.unit == other.unit and not _unlike(one, other)
                ),
                None,
            )
            if alike is None:
                unlike = _unlike(mine[0], theirs[0])
                apart.append(Apart(first=first, second=second, name=name, mismatches=unlike))
            else:
                pairs.append((first, second, *alike))
    alone = [_alone(one, other) for _, _, one, other in pairs]
    corrected = holm_corrected(np.array([one[3] for one in alone])) if alone else np.empty(0)
    return Comparison(
        differences=tuple(
            _difference(pair, found, float(chance_all), questions=len(pairs))
            for pair, found, chance_all in zip(pairs, alone, corrected, strict=True)
        ),
        apart=tuple(apart),
    )


def _unlike(one: Measured, other: Measured) -> tuple[Mismatch, ...]:
    """Return what keeps two values apart, from either side."""
    return mismatches(one.conditions, other.conditions) or mismatches(
        other.conditions, one.conditions
    )


def _alone(one: Measured, other: Measured) -> tuple[float, float, float | None, float]:
    """Return a difference, its standard uncertainty, degrees of freedom and chance."""
    parts = difference_parts(one, other)
    uncertainty, freedom = combined_uncertainty(parts), effective_freedom(parts)
    value = one.value - other.value
    return value, uncertainty, freedom, chance_of(value, uncertainty, freedom)


def _difference(
    pair: tuple[str, str, Measured, Measured],
    found: tuple[float, float, float | None, float],
    chance_all: float,
    *,
    questions: int,
) -> Difference:
    first, second, one, other = pair
    value, uncertainty, freedom, chance = found
    reach = student_factor(freedom) * uncertainty
    reach_all = student_factor(freedom, 1.0 - _WRONG / questions) * uncertainty
    low_all, high_all = value - reach_all, value + reach_all
    is_more = chance_all < _WRONG
    if is_more:
        low_all, high_all = (
            (max(low_all, 0.0), high_all) if value > 0 else (low_all, min(high_all, 0.0))
        )
    sources = {part.source for part in one.parts if part.shared}
    return Difference(
        first=first,
        second=second,
        name=one.name,
        unit=one.unit,
        value=value,
        standard_uncertainty=uncertainty,
        degrees_of_freedom=freedom,
        low=value - reach,
        high=value + reach,
        low_all=low_all,
        high_all=high_all,
        chance=chance,
        chance_all=min(chance_all, 1.0),
        is_more_than_chance=is_more,
        of_first=one,
        of_second=other,
        shared=tuple(sorted(sources & {part.source for part in other.parts if part.shared})),
    )
