"""How figures of cycles wander without any change: slow noise beside white noise. Pure.

Slow noise is a first-order Gauss-Markov process; white noise shrinks with the cycles of a block.
How much there is of each, and how slow it is, is learned from the figures themselves, over a grid
wide enough for what drives and rooms do. Whitening is by Kalman's innovations: a block costs the
same however many there are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = ["NOISES", "Noise", "WhiteProducts", "white_products"]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class WhiteProducts:
    """Inner products of columns once they are white, for g kinds of noise."""

    head: Floats
    """Of the first h columns with all m, shape (g, h, m)."""
    own: Floats
    """Of each column with itself, shape (g, m)."""
    log_determinant: Floats
    """Half the logarithm of the determinant of the covariance, shape (g,)."""


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
    slow_h = np.array([one.correlation_h for one in noises])
    white = np.array([one.white_share for one in noises])
    slow = 1.0 - white
    n, m = columns.shape
    state = np.zeros((len(noises), m))
    variance = slow.copy()
    log_determinant = np.zeros(len(noises))
    products = np.zeros((len(noises), head, m))
    own = np.zeros((len(noises), m))
    usual = float(np.median(counts))
    kept = np.exp(-np.diff(start_h, prepend=start_h[0])[:, None] / slow_h)
    for first in range(0, n, _CHUNK):
        rows = range(first, min(first + _CHUNK, n))
        chunk = np.empty((len(rows), len(noises), m))
        for place, row in enumerate(rows):
            state *= kept[row][:, None]
            variance = kept[row] ** 2 * (variance - slow) + slow
            total = variance + white * usual / counts[row]
            new = columns[row] - state
            np.multiply(new, (1.0 / np.sqrt(total))[:, None], out=chunk[place])
            gain = variance / total
            state += gain[:, None] * new
            variance = (1.0 - gain) * variance
            log_determinant += 0.5 * np.log(total)
        by_noise = chunk.transpose(1, 0, 2)
        products += by_noise[:, :, :head].transpose(0, 2, 1) @ by_noise
        own += np.einsum("gim,gim->gm", by_noise, by_noise)
    return WhiteProducts(head=products, own=own, log_determinant=log_determinant)
