"""The bins of a live picture that have closed: read once, for all pens together.

Reads rows where few bins close at a time, and envelopes where a window is filled.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from dashboard.figures.axes import Pen
from dashboard.flag_data import read_flag_bins
from dashboard.position_breaks import NO_BREAKS, PositionBreaks
from dashboard.row_data import Bins
from replay.recording import Recording
from replay.window import Envelope, FewBins, read_envelope, read_few_bins

__all__ = ["read_bins"]

FEW_BINS: Final = 8
"""So many bins are read row by row: a live page closes one or two at a time."""


def read_bins(
    recording: Recording,
    pens: tuple[tuple[Pen, float], ...],
    start_ns: int,
    count: int,
    width: int,
    *,
    breaks: Mapping[str, PositionBreaks] = MappingProxyType({}),
) -> Bins:
    """Return `count` bins of every pen, shape (count, pens, 3): first and second extreme, mean.

    Of a flag what `read_flag_bins` returns.

    Parameters
    ----------
    pens
        Each with its factor to displayed units.
    width
        Of a bin, in ns.
    breaks
        Joint -> the breaks in its positions, where its lines end.
    """
    bins = np.full((count, len(pens), 3), np.nan)
    end_ns = start_ns + count * width
    edges_ns = start_ns + width * np.arange(count + 1, dtype=np.int64)
    flag_columns = [column for column, (pen, _) in enumerate(pens) if pen.flag]
    bins[:, flag_columns] = read_flag_bins(
        recording, [pens[column][0] for column in flag_columns], edges_ns
    )
    if 0 < count <= FEW_BINS and end_ns <= recording.end_ns:
        edges = edges_ns.tolist()
        for joint, columns in _columns_by_joint(pens).items():
            channels = [pens[column][0].channel for column in columns]
            few = read_few_bins(recording, joint, channels, edges)
            factors = np.array([pens[column][1] for column in columns])
            bins[:, columns] = _ordered_extremes(few, factors)
    else:
        for index, (pen, factor) in enumerate(pens):
            if pen.flag:
                continue
            envelope = read_envelope(
                recording, pen.joint, pen.channel, start_ns, end_ns, bins=count
            )
            bins[:, index] = _ordered_extremes(envelope, factor)
    if breaks:
        for index, (pen, _) in enumerate(pens):
            of_joint = breaks.get(pen.joint, NO_BREAKS)
            bins[of_joint.are_broken(pen.channel, edges_ns[:-1], edges_ns[1:]), index] = np.nan
    return bins


def _columns_by_joint(pens: tuple[tuple[Pen, float], ...]) -> dict[str, list[int]]:
    columns: dict[str, list[int]] = {}
    for index, (pen, _) in enumerate(pens):
        if not pen.flag:
            columns.setdefault(pen.joint, []).append(index)
    return columns


def _ordered_extremes(bins: Envelope | FewBins, factor: float | Bins) -> Bins:
    """Return first extreme, second extreme and mean in displayed units, on the last axis."""
    rising = ~(abs(bins.first - bins.maximum) < abs(bins.first - bins.minimum))
    first = np.where(rising, bins.minimum, bins.maximum)
    second = np.where(rising, bins.maximum, bins.minimum)
    return np.stack([first * factor, second * factor, bins.mean * factor], axis=-1)
