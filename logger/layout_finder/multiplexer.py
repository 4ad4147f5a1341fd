"""The multiplexer: the field that tells the kinds of frames of one identifier apart. Pure.

A byte, or a half of one, with few values is taken for the multiplexer where the other bits change
clearly less from one frame to the next of the same value than they differ between frames of two
values, and where all its values come in every span of the recording: a state or the high byte
of a measured value does not. Checksum and counter have to be taken out before.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.layout_finder.bits import BitField, bit_columns, read_field
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundMultiplexer", "find_multiplexer"]

MOST_KINDS: Final = 16
SPANS: Final = 8
MIN_FRAMES: Final = 10
"""Of each kind and span."""
MAX_RATIO: Final = 0.72
MIN_BITS: Final = 3
MIN_FORESEEN: Final = 0.9
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


def _is_about_zero(values: Ints) -> bool:
    """Return whether values are those of the upper bits of a number that stays about zero."""
    # Bits that never change are not the number's.
    full = 1 << int(np.max(values ^ values[0])).bit_length()
    values = values % full
    for zero in (0, full // 2):
        shifted = np.sort((values - zero + full // 2) % full)
        around = shifted[0] < full // 2 <= shifted[-1]
        if around and shifted[-1] - shifted[0] == len(values) - 1:
            return True
    return False


def _is_in_turn(value: Ints, values: Ints) -> bool:
    """Return whether the next value follows from the last: kinds are sent in turn, noise is not."""
    last, following = value[:-1], value[1:]
    foreseen = sum(
        int(np.unique(following[last == one], return_counts=True)[1].max(initial=0))
        for one in values
    )
    return foreseen > MIN_FORESEEN * len(last)


def find_multiplexer(payload: Bytes, left_out: Iterable[BitField] = ()) -> FoundMultiplexer | None:
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
            if _is_about_zero(values) and not _is_in_turn(value, values):
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
