"""A claim held against what was measured, with its uncertainty. Pure.

The rule is that of ISO 14253-1 and JCGM 106, which are known here by name and purpose only, not
read: a claim is confirmed, or refuted, only if the whole 95 % interval lies on one side of it.
Everything else is not proven either way.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.arrays import Floats
from logger.findings.uncertainty import NORMAL_95
from logger.joint.bench.claims import StatedClaim
from logger.joint.data_sheet import Better
from replay.sheet.combining import Measured

__all__ = [
    "ClaimDecision",
    "Repeat",
    "Verdict",
    "acceptance_zone",
    "decide_claim",
    "decide_sides",
    "repeat_for",
]


_MOST_REPEATS: Final = 1000.0


class Verdict(StrEnum):
    """What became of a claim."""

    CONFIRMED = "meets it"
    FALLS_SHORT = "falls short"
    NOT_PROVEN = "not proven either way"
    NOT_COMPARABLE = "not comparable"
    """Measured under other conditions than claimed."""
    NOT_MEASURED = "not measured yet"
    NOT_CLAIMED = "not claimed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """What would settle a claim that is not proven."""

    more: int | None
    """So many more findings like those there are; None: no number of them."""
    by_source: str
    """The source of uncertainty that keeps it open where repeating does not help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimDecision:
    """A verdict on one claim."""

    verdict: Verdict
    short_by: float
    """By how much it falls short, or differs, at the value that was measured; 0 where not."""
    short_low: float
    """Least of it within the interval."""
    short_high: float
    repeat: Repeat | None
    """Of what is not proven."""


def acceptance_zone(claim: StatedClaim) -> tuple[float, float]:
    """Return the values that meet a claim: what rounds to it, or lies within its tolerance.

    One end is infinite where more, or less, is better.
    """
    slack = max(claim.half_digit, claim.tolerance or 0.0)
    low, high = claim.value - slack, claim.value + slack
    if claim.quantity.better is Better.HIGHER:
        return low, math.inf
    if claim.quantity.better is Better.LOWER:
        return -math.inf, high
    return low, high


def decide_sides(
    low: Floats, high: Floats, zone: tuple[float, float] | tuple[Floats, Floats]
) -> npt.NDArray[np.int8]:
    """Return 1 where intervals lie wholly within a zone, -1 wholly outside, 0 else."""
    inside = (low >= zone[0]) & (high <= zone[1])
    outside = (high < zone[0]) | (low > zone[1])
    return inside.astype(np.int8) - outside.astype(np.int8)


def decide_claim(claim: StatedClaim, measured: Measured) -> ClaimDecision:
    """Return the verdict on a claim from a value that was measured under its conditions."""
    zone = acceptance_zone(claim)
    side = int(decide_sides(np.array(measured.low), np.array(measured.high), zone))
    verdict = {1: Verdict.CONFIRMED, -1: Verdict.FALLS_SHORT, 0: Verdict.NOT_PROVEN}[side]
    falls_short = verdict is Verdict.FALLS_SHORT
    # From the claim itself, not from where its last digit ends.
    gaps = [abs(one - claim.value) for one in (measured.low, measured.high)]
    return ClaimDecision(
        verdict=verdict,
        short_by=abs(measured.value - claim.value) if falls_short else 0.0,
        short_low=min(gaps) if falls_short else 0.0,
        short_high=max(gaps) if falls_short else 0.0,
        repeat=repeat_for(measured, zone) if verdict is Verdict.NOT_PROVEN else None,
    )


def repeat_for(measured: Measured, zone: tuple[float, float]) -> Repeat:
    """Return what would settle a value that lies too near to the end of a zone."""
    distance = min(abs(measured.value - end) for end in zone if math.isfinite(end))
    own = math.sqrt(sum(one.contribution**2 for one in measured.parts if not one.shared))
    shared = [one for one in measured.parts if one.shared]
    fixed = math.sqrt(sum(one.contribution**2 for one in shared))
    room = (distance / NORMAL_95) ** 2 - fixed**2
    count = len(measured.findings)
    # More of them may settle it only where they, and not what they share, keep it open.
    if room <= 0.0 or own <= fixed:
        largest = max(shared, key=lambda one: abs(one.contribution), default=None)
        return Repeat(more=None, by_source="" if largest is None else largest.source)
    wanted = own**2 * count / room
    if wanted > _MOST_REPEATS:
        return Repeat(more=None, by_source="")
    return Repeat(more=max(math.ceil(wanted) - count, 1), by_source="")
