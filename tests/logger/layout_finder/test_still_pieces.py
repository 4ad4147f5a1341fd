"""Upper bits of a slow value that lie apart from it and never changed."""

import numpy as np

from logger.layout_finder.bits import BitField, join_pieces, read_field
from logger.layout_finder.still_pieces import with_still_pieces


def _payload() -> np.ndarray:
    """650 to 690 tenths above -40 degC in twelve bits: the upper four in byte 3."""
    payload = np.zeros((80, 6), dtype=np.uint8)
    raw = 650 + np.arange(80) // 2
    payload[:, 1] = raw & 0xFF
    payload[:, 3] = (raw >> 8 << 4) | 0x0B
    return payload


def test_the_upper_bits_are_found_among_those_that_stand_still():
    """Two half bytes are not zero; that of another value is no candidate."""
    payload = _payload()
    lower = BitField(8, 8)
    upper = BitField(28, 4)
    found = with_still_pieces(payload, (lower,), frozenset())
    twelve = [one for one in found if one.length == 12]
    assert twelve == [join_pieces(lower, BitField(24, 4)), join_pieces(lower, upper)]
    assert (read_field(payload, join_pieces(lower, upper)) == 650 + np.arange(80) // 2).all()
    taken = frozenset(range(28, 32))
    left = with_still_pieces(payload, (lower,), taken)
    assert not any(one.little_columns & taken for one in left)


def test_nothing_but_zeros_is_no_upper_piece():
    """A value whose frame holds nothing else stays as it is."""
    payload = _payload()
    payload[:, 3] = 0
    assert with_still_pieces(payload, (BitField(8, 8),), frozenset()) == ()
