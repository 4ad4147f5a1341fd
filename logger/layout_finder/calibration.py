"""Probabilities made true: how often what a rule says was right. Pure.

The rules of `certainty` order claims; how often each rank is right is counted on invented drives.
`python -m tests.support.drives.calibrate --main 0 120 --hard 0 80` counts again and prints the
tables (these are of its 200 drives); whether they hold is told by other drives than those.
"""

from typing import Final, Literal

from logger.layout_finder.proposal import Meaning, Probabilities

__all__ = ["CALIBRATION", "Claim", "Steps", "calibrate_value"]

Claim = Literal["place", "meaning", "scale"]
Steps = tuple[tuple[float, float], ...]
"""From which probability of the rules on, and how often it was right."""

CALIBRATION: Final[dict[Claim, Steps]] = {
    "place": ((0.336, 0.673), (0.536, 0.784), (0.8, 0.936), (0.93, 0.95)),
    "meaning": (
        *((0.2, 0.125), (0.397, 0.459), (0.609, 0.531), (0.713, 0.656), (0.824, 0.848)),
        *((0.881, 0.875), (0.916, 0.943), (0.95, 0.949), (0.965, 0.95)),
    ),
    "scale": (
        *((0.2, 0.5), (0.609, 0.621), (0.752, 0.823)),
        *((0.866, 0.893), (0.94, 0.943), (0.97, 0.99)),
    ),
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
