"""How figures of cycles wander without any change: slow noise beside white noise. Pure.

Slow noise is a first-order Gauss-Markov process; white noise shrinks with the cycles of a block.
How much there is of each, and how slow it is, is learned from the figures themselves, over a grid
wide enough for what drives and rooms do.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = ["NOISES", "Noise", "needed_evidence"]

_CORRELATION_H: Final = (3.0, 6.0, 12.0, 24.0, 48.0)
_WHITE_SHARES: Final = (0.02, 0.1, 0.3, 0.6, 0.9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """One kind of noise; its size is a factor."""

    correlation_h: float
    white_share: float
    """Of the variance of a block of the usual number of cycles."""


NOISES: Final = tuple(
    Noise(correlation_h=correlation_h, white_share=share)
    for correlation_h in _CORRELATION_H
    for share in _WHITE_SHARES
)


_NEEDED: Final = (15.3, 16.7, 17.9, 18.1, 19.5)
"""Evidence of a change that one quiet figure in twenty shows on any of the days of a campaign of
thirty, by the correlation time of its noise: `python -m tests.support.quiet_evidence`."""
_FADING: Final = 2.3
"""For each so much more, quiet figures that show it are fewer by e (of the same run)."""
_LEARNED: Final = 1.3
"""So much more, since the kind of noise is learned from the figure itself: what a second run says
is too much at six hours and more (1.1 to 1.7; at three hours nothing)."""
_SIMULATED_DAYS: Final = 30.0


def needed_evidence(shares: Floats, figures: int, days: float) -> Floats:
    """Return the evidence from which a change is called.

    As much as one quiet campaign of thirty days in twenty shows in any figure, at any date, of
    either shape, on any day that it is looked at (a threshold for the highest of all by Monte
    Carlo, since noise and date are unknown: Davies, Biometrika 74 (1987) 33; Dufour, Journal of
    Econometrics 133 (2006) 443). It grows with the days beyond thirty so that however long a
    campaign is, no more than one in ten is called (chances spent over time: Lan and DeMets,
    Biometrika 70 (1983) 659).

    Parameters
    ----------
    shares
        How likely each kind of noise is, shape (g, k), the sum over g 1.
    figures
        How many figures are watched: chances of independent figures add up.
    days
        How long the campaign has been.
    """
    more = math.log(max(figures, 1)) + 2.0 * math.log(max(days / _SIMULATED_DAYS, 1.0))
    known = np.repeat(_NEEDED, len(_WHITE_SHARES)) @ shares
    return np.asarray(known + _LEARNED + _FADING * more, np.float64)
