"""Uncertainty after the GUM: parts by their source, combined, and intervals of 95 %. Pure.

JCGM 100 for what is combined by its standard uncertainties (Welch-Satterthwaite, Student);
JCGM 101 where that is no normal distribution: what one division rules is drawn.
"""

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.finding import UncertaintyPart
from logger.findings.uncertainty import combined_uncertainty, effective_freedom

__all__ = [
    "DRAW_COUNT",
    "IntervalBasis",
    "bench_dice",
    "combine_parts",
    "drawn_bounds",
    "drawn_reading",
]

DRAW_COUNT: Final = 20_000
"""Ends of a 95 % interval are known to 1 % of its width by as many (JCGM 101, 7.2)."""
_DICE_SEED: Final = 20080101
"""Fixed: the same readings give the same answer."""


class IntervalBasis(StrEnum):
    """How a 95 % interval was made."""

    STUDENT = "student"
    """Standard uncertainties combined, Student's t at their effective degrees of freedom."""
    DRAWS = "draws"
    """Draws of everything that is uncertain, each put through the model (JCGM 101)."""
    ROUNDING = "rounding"
    """Draws of what the rounded readings leave open: each is known to its division and no more."""
    CURVATURE = "curvature"
    """By the curvature of the likelihood at its maximum."""
    NONE = "none"
    """There is no interval: nothing says how sure the value is."""


def combine_parts(parts: Sequence[UncertaintyPart]) -> tuple[float, float]:
    """Return the combined standard uncertainty and its degrees of freedom, inf where unlimited."""
    freedom = effective_freedom(parts)
    return combined_uncertainty(parts), math.inf if freedom is None else freedom


def bench_dice(name: str = "") -> np.random.Generator:
    """Return a generator of draws that is the same for the same measurement."""
    return np.random.default_rng([_DICE_SEED, *name.encode()])


def drawn_bounds(drawn: Floats) -> tuple[float, float, float]:
    """Return standard uncertainty and the ends of the symmetric 95 % interval of draws.

    Shape (n,) (JCGM 101, 7.6 and 7.7).
    """
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(np.std(drawn)), float(low), float(high)


def drawn_reading(
    value: float,
    *,
    bound: float,
    factor: float | None,
    dice: np.random.Generator,
    n: int = DRAW_COUNT,
) -> Floats:
    """Return n draws of a value that was typed with +-; shape (n,)."""
    if bound <= 0.0:
        return np.full(n, value)
    if factor is None:
        return value + dice.uniform(-bound, bound, n)
    return value + dice.normal(0.0, bound / factor, n)
