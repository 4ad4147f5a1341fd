"""The multiplexer: the field that tells the kinds of frames of one identifier apart. Pure.

A field with few values is taken for the multiplexer where the frames are much easier to write down
kind by kind than one after the other, and where the frames of each value come at a period of their
own all the time: a state or the high byte of a measured value does not. Checksum and counter have
to be taken out before.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import BitField, read_field
from logger.layout_finder.borders import describe_frames
from logger.layout_finder.field_cost import WINDOW
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundMultiplexer", "find_multiplexer"]

MOST_KINDS: Final = 16
SPANS: Final = 8
MIN_FRAMES: Final = 2 * WINDOW
"""Of each kind."""
MIN_SPAN_FRAMES: Final = 5
MAX_RATIO: Final = 0.85
MIN_SAVED: Final = 0.3
"""Bits that the kinds have to save for each change of kind: of still frames nothing tells."""
ALWAYS_SAVED: Final = 6.0
"""The same, from which on the share does not matter."""
MIN_REGULAR: Final = 0.85
"""Share of the periods of a kind that are about its usual one."""
MOST_PERIODS: Final = 8.0
"""Usual periods that a kind stays away, where frames are lost."""
_EVENNESS: Final = 3.0
"""How many times more or less often a kind may come in one span than on the whole."""
_ZERO: Final = 5.0
_IN_A_ROW: Final = 2.0
_WINDOWS: Final = 24
_RUNS: Final = ((0, 8), (4, 4), (0, 4), (5, 3), (0, 3), (6, 2), (0, 2))
"""Lowest bit and length, within a byte."""


@dataclass(frozen=True)
class FoundMultiplexer:
    """A field whose value says what the rest of the frame is."""

    field: BitField
    values: tuple[int, ...]
    ratio: float
    """Bits of the frames written down kind by kind, over those one after the other."""


def _comes_evenly(value: Ints, values: Ints) -> bool:
    """Return whether each value comes about as often in every span."""
    counts = np.array(
        [[np.sum(part == one) for one in values] for part in np.array_split(value, SPANS)]
    )
    mean = counts.mean(axis=0)
    return bool(
        (counts >= np.maximum(MIN_SPAN_FRAMES, mean / _EVENNESS)).all()
        and (counts <= mean * _EVENNESS).all()
    )


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


def _fields(
    time_s: Floats, payload: Bytes, known: frozenset[int]
) -> Iterator[tuple[BitField, Ints]]:
    """Yield the fields that may tell kinds apart, and the value of each frame."""
    for byte in range(payload.shape[1]):
        for bit, length in _RUNS:
            field = BitField(8 * byte + bit, length)
            if field.little_columns & known:
                continue
            value = read_field(payload, field)
            values, counts = np.unique(value, return_counts=True)
            if not 2 <= len(values) <= MOST_KINDS or counts.min() < MIN_FRAMES:
                continue
            if _comes_evenly(value, values) and _is_regular(time_s, value, values):
                yield field, value


def find_multiplexer(
    time_s: Floats, payload: Bytes, left_out: Iterable[BitField] = ()
) -> FoundMultiplexer | None:
    """Return the multiplexer of frames of one identifier and length, uint8[n, bytes]; or None."""
    known = frozenset().union(*(field.little_columns for field in left_out))
    best: tuple[float, float, FoundMultiplexer] | None = None
    written: dict[bytes, tuple[float, bool]] = {}
    seen: set[tuple[int, bytes]] = set()
    for field, value in _fields(time_s, payload, known):
        # Fields that part the frames alike are one choice; within a byte the widest stands first.
        parted = np.packbits(np.diff(value) != 0).tobytes()
        if (field.byte, parted) in seen:
            continue
        seen.add((field.byte, parted))
        if parted not in written:
            written[parted] = _compare(payload, value, known | field.little_columns)
        ratio, is_split = written[parted]
        if not is_split:
            continue
        values = tuple(int(one) for one in np.unique(value))
        custom = _strangeness(field, values)
        if best is None or (ratio, custom) < best[:2]:
            best = (ratio, custom, FoundMultiplexer(field, values, ratio))
    return best[2] if best else None


def _compare(payload: Bytes, value: Ints, known: frozenset[int]) -> tuple[float, bool]:
    """Return bits kind by kind over bits one after the other, and whether that tells kinds apart.

    Both are held against each other at the same instants, around frames of the rarest kind: of few
    frames among many the saving is small on the whole, and large for each of them.
    """
    values, counts = np.unique(value, return_counts=True)
    last = len(payload) - WINDOW
    rare = np.flatnonzero(value == values[counts.argmin()])
    picked = rare[np.linspace(0, len(rare) - 1, _WINDOWS).astype(int)]
    starts = np.unique(np.clip(picked - WINDOW // 2, 0, last))
    rows = starts[:, None] + np.arange(WINDOW)
    (joint,) = describe_frames(payload, starts, [known])
    split = 0.0
    for one in values:
        own = np.flatnonzero(value == one)
        first = np.searchsorted(own, starts + WINDOW // 2) - WINDOW // 2
        own_starts = np.clip(first, 0, len(own) - WINDOW)
        (cost,) = describe_frames(payload[own], own_starts, [known])
        split += cost * float(np.mean(value[rows] == one))
    changes = int((np.diff(value[rows], axis=1) != 0).sum())
    saved = joint - split
    is_split = split < MAX_RATIO * joint and saved > MIN_SAVED * changes
    return split / max(joint, 1.0), bool(is_split or saved > ALWAYS_SAVED * changes)


def _strangeness(field: BitField, values: tuple[int, ...]) -> float:
    """Return how unusual a field is that tells kinds apart, of those that part the frames alike.

    Zero is what unused bytes hold; three kinds or more that are numbered in a row are no chance;
    what tells kinds apart stands at the beginning of the frame.
    """
    unused = min(value & -value for value in values if value)
    spread = (values[-1] - values[0]) / unused
    in_a_row = spread == len(values) - 1
    return (
        0.5 * math.log2(spread)
        + (_ZERO if values[0] == 0 else 0.0)
        - (_IN_A_ROW * (len(values) - 2) if in_a_row else 0.0)
        + field.byte
    )
