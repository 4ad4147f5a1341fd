"""Probabilities made true: how often what a rule says was right. Pure.

The rules of `certainty` order claims; how often each rank is right is counted on invented drives.
`python -m tests.support.drives.calibrate --main 10000 10100 --hard 10000 10100` counts again and
prints the tables; whether they hold is told by other drives than those.
"""

from typing import Final, Literal

from logger.layout_finder.proposal import Meaning, Probabilities

__all__ = ["CALIBRATION", "Claim", "Steps", "calibrate_value"]

Claim = Literal["place", "meaning", "scale"]
Steps = tuple[tuple[float, float], ...]
"""From which probability of the rules on, and how often it was right."""

CALIBRATION: Final[dict[Claim, Steps]] = {
    "place": ((0.294, 0.821), (0.51, 0.886), (0.8, 0.929), (0.85, 0.95)),
    # From 0.38 on 0.676 was counted there, and 0.60 of 280 on 392 drives of later seeds.
    "meaning": ((0.2, 0.028), (0.38, 0.6), (0.853, 0.864), (0.911, 0.95)),
    # A turn in doubt is too seldom among them (3 claims): half, as counted on 200 earlier ones.
    # From 0.94 on 0.99 was counted; the rules were made on these drives, so it is not taken.
    "scale": ((0.2, 0.5), (0.6, 0.69), (0.752, 0.865), (0.878, 0.893), (0.94, 0.95), (0.97, 0.99)),
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
