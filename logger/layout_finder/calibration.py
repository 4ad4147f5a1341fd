"""Probabilities made true: how often what a rule says was right. Pure.

The rules of `certainty` order claims; how often each rank is right is counted on invented drives.
`python -m tests.support.drives.calibrate` counts again and prints the tables (these: 51 drives);
whether they hold is told by other drives than those.
"""

from typing import Final, Literal

from logger.layout_finder.proposal import Meaning, Probabilities

__all__ = ["CALIBRATION", "Claim", "Steps", "calibrate_value"]

Claim = Literal["place", "meaning", "scale"]
Steps = tuple[tuple[float, float], ...]
"""From which probability of the rules on, and how often it was right."""

CALIBRATION: Final[dict[Claim, Steps]] = {
    "place": (
        *((0.364, 0.569), (0.459, 0.643), (0.562, 0.703), (0.8, 0.906), (0.85, 0.917)),
        *((0.93, 0.95), (0.985, 0.986)),
    ),
    "meaning": ((0.2, 0.45), (0.608, 0.643), (0.809, 0.828), (0.926, 0.949), (0.965, 0.99)),
    "scale": ((0.5, 0.607), (0.776, 0.872), (0.94, 0.95)),
}


def _calibrated(claim: Claim, by_rule: float) -> float:
    share = by_rule
    for least, right in CALIBRATION[claim]:
        if by_rule >= least:
            share = right
    return share


def calibrate_value(meaning: Meaning, by_rule: Probabilities) -> Probabilities:
    """Return how often claims of a value are right, from what the rules say of them.

    What has no meaning, and a flag, claims only its place.
    """
    named = meaning not in {Meaning.UNKNOWN, Meaning.FLAG}
    return Probabilities(
        place=_calibrated("place", by_rule.place),
        meaning=_calibrated("meaning", by_rule.meaning) if named else by_rule.meaning,
        scale=_calibrated("scale", by_rule.scale) if by_rule.scale > 0.0 else 0.0,
    )
