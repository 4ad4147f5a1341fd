"""How figures of cycles wander without any change: slow noise beside white noise. Pure.

Slow noise is a first-order Gauss-Markov process; white noise shrinks with the cycles of a block.
How much there is of each, and how slow it is, is learned from the figures themselves, over a grid
wide enough for what drives and rooms do. Whitening is by Kalman's innovations: a block costs the
same however many there are.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = [
    "NOISES",
    "Noise",
    "WhiteProducts",
    "growing_products",
    "needed_evidence",
    "white_products",
]

_CORRELATION_H: Final = (3.0, 6.0, 12.0, 24.0, 48.0)
_WHITE_SHARES: Final = (0.02, 0.1, 0.3, 0.6, 0.9)
_CHUNK: Final = 64


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


@dataclass(frozen=True, slots=True, kw_only=True)
class WhiteProducts:
    """Inner products of columns once they are white, for g kinds of noise."""

    head: Floats
    """Of the first h columns with all m, shape (g, h, m)."""
    own: Floats
    """Of each column with itself, shape (g, m)."""
    log_determinant: Floats
    """Half the logarithm of the determinant of the covariance, shape (g,)."""


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


def white_products(
    columns: Floats,
    head: int,
    start_h: Floats,
    counts: Floats,
    noises: Sequence[Noise] = NOISES,
) -> WhiteProducts:
    """Return inner products under each kind of noise.

    Parameters
    ----------
    columns
        Shape (n, m): a row a block.
    head
        Of how many of the first columns products with all others are wanted.
    start_h, counts
        Begin of each block in hours, and its cycles, shape (n,).
    """
    (products,) = growing_products(
        columns, head, start_h, counts, ends=[len(columns)], noises=noises
    )
    return products


def growing_products(
    columns: Floats,
    head: int,
    start_h: Floats,
    counts: Floats,
    *,
    ends: Sequence[int],
    noises: Sequence[Noise] = NOISES,
) -> Iterator[WhiteProducts]:
    """Yield inner products over the first blocks, as many as each of `ends` says, in order.

    Innovations do not depend on what comes later: many looks cost one pass. A column costs nothing
    before it begins, as a step does with its date. Parameters as of `white_products`.
    """
    begins = np.where(columns.any(axis=0), (columns != 0.0).argmax(axis=0), len(columns))
    begins[:head] = 0
    order = np.argsort(begins, kind="stable")
    columns, back = columns[:, order], np.argsort(order, kind="stable")
    begun = np.searchsorted(begins[order], np.arange(len(columns)), side="right")
    slow_h = np.array([one.correlation_h for one in noises])
    white = np.array([one.white_share for one in noises])
    slow = 1.0 - white
    m = columns.shape[1]
    state = np.zeros((len(noises), m))
    variance = slow.copy()
    log_determinant = np.zeros(len(noises))
    products = np.zeros((len(noises), head, m))
    own = np.zeros((len(noises), m))
    usual = float(np.median(counts))
    kept = np.exp(-np.diff(start_h, prepend=start_h[0])[:, None] / slow_h)
    done = 0
    for end in ends:
        for first in range(done, end, _CHUNK):
            rows = range(first, min(first + _CHUNK, end))
            most = int(begun[rows[-1]])
            chunk = np.zeros((len(rows), len(noises), most))
            for place, row in enumerate(rows):
                now = state[:, : begun[row]]
                now *= kept[row][:, None]
                variance = kept[row] ** 2 * (variance - slow) + slow
                total = variance + white * usual / counts[row]
                new = columns[row, : begun[row]] - now
                np.multiply(new, (1.0 / np.sqrt(total))[:, None], out=chunk[place, :, : begun[row]])
                gain = variance / total
                now += gain[:, None] * new
                variance = (1.0 - gain) * variance
                log_determinant += 0.5 * np.log(total)
            by_noise = chunk.transpose(1, 0, 2)
            products[:, :, :most] += by_noise[:, :, :head].transpose(0, 2, 1) @ by_noise
            own[:, :most] += np.einsum("gim,gim->gm", by_noise, by_noise)
        done = end
        yield WhiteProducts(
            head=products[:, :, back], own=own[:, back], log_determinant=log_determinant.copy()
        )
