"""The multiplexer: the field that tells the kinds of frames of one identifier apart. Pure.

A byte, or a half of one, with few values is taken for the multiplexer where the other bits change
clearly less from one frame to the next of the same value than they differ between frames of two
values, and where the frames of each value come at a period of their own all the time: a state or
the high byte of a measured value does not. Checksum and counter have to be taken out before.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import BitField, bit_columns, read_field
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundMultiplexer", "find_multiplexer"]

MOST_KINDS: Final = 16
SPANS: Final = 8
MIN_FRAMES: Final = 10
"""Of each kind and span."""
MAX_RATIO: Final = 0.85
MIN_BITS: Final = 3
MIN_REGULAR: Final = 0.85
"""Share of the periods of a kind that are about its usual one."""
MOST_PERIODS: Final = 5.0
"""Usual periods that a kind stays away, where frames are lost."""
_EVENNESS: Final = 3.0
"""How many times more or less often a kind may come in one span than on the whole."""


@dataclass(frozen=True)
class FoundMultiplexer:
    """A field whose value says what the rest of the frame is."""

    field: BitField
    values: tuple[int, ...]
    ratio: float
    """Changes of the other bits within a kind over those between kinds; the worst span's."""
    differing_bits: int


def _comes_evenly(value: Ints, values: Ints) -> bool:
    """Return whether each value comes about as often in every span."""
    counts = np.array(
        [[np.sum(part == one) for one in values] for part in np.array_split(value, SPANS)]
    )
    mean = counts.mean(axis=0)
    return bool(
        (counts >= np.maximum(MIN_FRAMES, mean / _EVENNESS)).all()
        and (counts <= mean * _EVENNESS).all()
    )


def _changes_within(columns: Bytes, value: Ints, values: Ints) -> Ints:
    """Return how often each bit differs between a frame and the next of the same value."""
    within = np.zeros(columns.shape[1], dtype=np.int64)
    for one in values:
        kind = columns[value == one]
        within += (kind[1:] != kind[:-1]).sum(axis=0)
    return within


def _ratio_of(columns: Bytes, value: Ints, values: Ints) -> tuple[float, int]:
    """Return changes within a kind over changes between, and how many bits differ."""
    across_rows = np.flatnonzero(value[1:] != value[:-1])
    across = (columns[across_rows + 1] != columns[across_rows]).mean(axis=0)
    within = _changes_within(columns, value, values) / max(1, len(value) - len(values))
    differing = int(np.sum((across > 0.02) & (within < MAX_RATIO * across)))
    return float(within.sum() / max(1e-12, across.sum())), differing


def _is_regular(time_s: Floats, value: Ints, values: Ints) -> bool:
    """Return whether the frames of each value come at a period of their own.

    Kinds of frames are sent by a timer, or are asked for by one. The sign of a value that is about
    zero falls as it will, and stays for long while the joint moves.
    """
    for one in values:
        periods = np.diff(time_s[value == one])
        usual = float(np.median(periods))
        near = np.abs(periods - usual) < 0.5 * usual
        if np.mean(near) < MIN_REGULAR or np.quantile(periods, 0.998) > MOST_PERIODS * usual:
            return False
    return True


def find_multiplexer(
    time_s: Floats, payload: Bytes, left_out: Iterable[BitField] = ()
) -> FoundMultiplexer | None:
    """Return the multiplexer of frames of one identifier and length, uint8[n, bytes]; or None."""
    taken = {column for field in left_out for column in field.little_columns}
    columns = bit_columns(payload)
    for byte in range(payload.shape[1]):
        for field in (BitField(8 * byte, 8), BitField(8 * byte + 4, 4), BitField(8 * byte, 4)):
            if field.little_columns & taken:
                continue
            value = read_field(payload, field)
            values = np.unique(value)
            if not 2 <= len(values) <= MOST_KINDS or not _comes_evenly(value, values):
                continue
            if not _is_regular(time_s, value, values):
                continue
            others = [
                column
                for column in range(columns.shape[1])
                if column not in taken and column not in field.little_columns
            ]
            spans = [
                _ratio_of(columns[rows][:, others], value[rows], values)
                for rows in np.array_split(np.arange(len(value)), SPANS)
            ]
            ratio = max(ratio for ratio, _ in spans)
            differing = min(bits for _, bits in spans)
            if ratio < MAX_RATIO and differing >= MIN_BITS:
                kinds = tuple(int(one) for one in values)
                return FoundMultiplexer(field, kinds, ratio, differing)
    return None
