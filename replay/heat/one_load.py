"""Whether a trace has but one load: then only the sum of what warms the joint is in it. Pure."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from replay.heat.trace import HeatTrace

__all__ = ["ONE_LOAD_S", "is_one_load"]

ONE_LOAD_S: Final = 600.0
ONE_LOAD_SHARE: Final = 0.1


def is_one_load(trace: HeatTrace) -> bool:
    """Return whether the load was the same all the time, once averaged over ten minutes.

    Then only the sum of what current, drive and room do is in the trace; what tells them apart in
    the fit is the prior and the misfit, so nothing of it is told as a number.
    """
    means = np.array(
        [mean for number in range(trace.segments) for mean in _means_over_pieces(trace, number)]
    )
    return len(means) < 2 or float(np.ptp(means)) < ONE_LOAD_SHARE * float(means.mean())


def _means_over_pieces(trace: HeatTrace, segment: int) -> Iterator[float]:
    """Yield the mean squares of pieces of ten minutes, each half over the one before.

    Weights fade towards the ends of a piece: so it does not count where in a cycle it begins. With
    even weights a steady cycle of a minute differed by a tenth from piece to piece.
    """
    rows = np.flatnonzero(trace.segment == segment)
    duration_s = trace.steps.duration_s[rows]
    edges_s = np.append(0.0, np.cumsum(duration_s))
    whole_s = float(edges_s[-1])
    if whole_s < 0.5 * ONE_LOAD_S:
        return
    piece_s = min(ONE_LOAD_S, whole_s)
    middle_s, square = edges_s[:-1] + duration_s / 2.0, trace.steps.mean_square_A2[rows]
    for begin_s in np.linspace(0.0, whole_s - piece_s, 2 * int(whole_s / piece_s) - 1):
        first, last = np.searchsorted(middle_s, (begin_s, begin_s + piece_s))
        within = slice(first, last)
        weight = duration_s[within]
        weight = weight * np.sin(np.pi * (middle_s[within] - begin_s) / piece_s) ** 2
        if weight.any():
            yield float(weight @ square[within] / weight.sum())
