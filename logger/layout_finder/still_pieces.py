"""Upper bits of a slow value that never changed and lie elsewhere in the frame. Pure."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.layout_finder.bits import BitField, join_pieces, toggle_counts
from logger.layout_finder.traffic import Bytes

__all__ = ["with_still_pieces"]

_UPPER_LENGTHS: Final = (4, 8, 2)
_WHOLE_LENGTHS: Final = (10, 12, 14, 16)


def with_still_pieces(
    payload: Bytes, lowers: Sequence[BitField], taken: frozenset[int]
) -> tuple[BitField, ...]:
    """Return fields of a usual length whose upper bits lie apart, stand still and are not zero.

    Parameters
    ----------
    payload
        Frames of one kind.
    lowers
        What the lower bits may be.
    taken
        Columns, in the order "little", that are other fields' or known.
    """
    still = toggle_counts(payload) == 0
    first = np.unpackbits(payload[:1], axis=1, bitorder="little")[0]
    found = []
    for lower in lowers:
        if lower.upper is not None:
            continue
        own = taken | lower.little_columns
        for length in _UPPER_LENGTHS:
            if lower.length + length not in _WHOLE_LENGTHS:
                continue
            starts = range(0, 8 * payload.shape[1] - length + 1, min(length, 4))
            for start in starts:
                columns = range(start, start + length)
                is_free = not own.intersection(columns) and bool(still[columns].all())
                if start % 8 + length <= 8 and is_free and first[columns].any():
                    found.append(join_pieces(lower, BitField(start, length)))
    return tuple(found)
