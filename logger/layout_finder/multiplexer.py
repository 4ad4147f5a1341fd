"""The multiplexer: the field that tells the kinds of frames of one identifier apart. Pure.

A field with few values is taken for the multiplexer where the frames are much easier to write down
kind by kind than one after the other, and where the frames of each value come at a period of their
own all the time: a state or the high byte of a measured value does not. Checksum and counter have
to be taken out before. Of fields that part the frames nearly alike, that one is it by which the
frames where they differ are easier to write down; of those that part them just alike, the most
customary one.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import BitField
from logger.layout_finder.borders import describe_frames
from logger.layout_finder.counter import find_counters
from logger.layout_finder.field_cost import WINDOW
from logger.layout_finder.multiplexer_place import strangeness
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
_WINDOWS: Final = 24
_NEARLY_ALIKE: Final = 0.2
"""Share of the frames of each kind that two fields may part otherwise, to be compared there."""
_RUNS: Final = ((0, 8), (4, 4), (0, 4), (5, 3), (0, 3), (6, 2), (0, 2))
"""Lowest bit and length, within a byte."""


@dataclass(frozen=True)
class FoundMultiplexer:
    """A field whose value says what the rest of the frame is."""

    field: BitField
    values: tuple[int, ...]
    ratio: float
    """Bits of the frames written down kind by kind, over those one after the other."""


@dataclass(frozen=True, eq=False)
class _Parting:
    """Frames parted by a field."""

    field: BitField
    value: Bytes
    """uint8[n]."""
    values: tuple[int, ...]
    ratio: float
    columns: frozenset[int]
    """The field and what is known."""


def _counts(value: Bytes, values: Ints) -> Ints:
    return np.bincount(value, minlength=256)[values]


def _comes_evenly(value: Bytes, values: Ints) -> bool:
    """Return whether each value comes about as often in every span."""
    counts = np.array([_counts(part, values) for part in np.array_split(value, SPANS)])
    mean = counts.mean(axis=0)
    return bool(
        (counts >= np.maximum(MIN_SPAN_FRAMES, mean / _EVENNESS)).all()
        and (counts <= mean * _EVENNESS).all()
    )


def _is_regular(time_s: Floats, value: Bytes, values: Ints) -> bool:
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
) -> Iterator[tuple[BitField, Bytes, Ints]]:
    """Yield the fields that may tell kinds apart, the value of each frame, and all values."""
    for byte in range(payload.shape[1]):
        for bit, length in _RUNS:
            field = BitField(8 * byte + bit, length)
            if field.little_columns & known:
                continue
            value = payload[:, byte] >> np.uint8(bit) & np.uint8((1 << length) - 1)
            counts = np.bincount(value)
            values = np.flatnonzero(counts)
            if not 2 <= len(values) <= MOST_KINDS or counts[values].min() < MIN_FRAMES:
                continue
            if _comes_evenly(value, values) and _is_regular(time_s, value, values):
                yield field, value, values


def find_multiplexer(
    time_s: Floats, payload: Bytes, left_out: Iterable[BitField] = ()
) -> FoundMultiplexer | None:
    """Return the multiplexer of frames of one identifier and length, uint8[n, bytes]; or None."""
    known = frozenset().union(*(field.little_columns for field in left_out))
    partings: list[_Parting] = []
    written: dict[bytes, float | None] = {}
    seen: set[tuple[int, bytes]] = set()
    for field, value, values in _fields(time_s, payload, known):
        # Fields that part the frames alike are one choice; within a byte the widest stands first.
        parted = _numbered(value, values).tobytes()
        if (field.byte, parted) in seen:
            continue
        seen.add((field.byte, parted))
        columns = known | field.little_columns
        if parted not in written:
            written[parted] = _compare(payload, value, columns, known)
        ratio = written[parted]
        if ratio is not None:
            partings.append(_Parting(field, value, tuple(values.tolist()), ratio, columns))
    if not partings:
        return None
    best = _most_likely(payload, partings, known)
    return FoundMultiplexer(best.field, best.values, best.ratio)


def _numbered(value: Bytes, values: Ints) -> Bytes:
    """Return the kind of each frame, kinds numbered in the order in which they come first."""
    order = np.argsort([np.argmax(value == one) for one in values])
    numbers = np.zeros(256, dtype=np.uint8)
    numbers[values[order]] = np.arange(len(values))
    return numbers[value]


def _most_likely(payload: Bytes, partings: list[_Parting], known: frozenset[int]) -> _Parting:
    """Return which field tells the kinds apart, of those that part the frames as the best does."""
    first = min(partings, key=lambda one: one.ratio)
    alike = [(one, rows) for one in partings if (rows := _differing(first, one)) is not None]
    if len(alike) > 1:
        known |= _counted_by_kind(payload, first)
    likeliest = (np.inf, first)
    for one, differing in alike:
        more = 0.0
        if len(differing):
            picked = differing[np.linspace(0, len(differing) - 1, _WINDOWS).astype(int)]
            starts = _starts_around(picked, len(payload))
            more = _split_bits(payload, one.value, starts, one.columns) - _split_bits(
                payload, first.value, starts, first.columns
            )
        own = [payload[one.value == value] for value in one.values]
        moving = np.array([np.bitwise_or.reduce(rows ^ rows[:1], axis=0) for rows in own])
        bits = more + strangeness(one.field, one.values, moving, known)
        if bits < likeliest[0]:
            likeliest = (bits, one)
    return likeliest[1]


def _counted_by_kind(payload: Bytes, parting: _Parting) -> frozenset[int]:
    """Return the columns of counters of each kind by itself: across kinds they look like values."""
    columns = [
        frozenset().union(*(counter.field.little_columns for counter in counters))
        for one in parting.values
        for counters in (find_counters(payload[parting.value == one]),)
    ]
    return frozenset.intersection(*columns)


def _differing(one: _Parting, other: _Parting) -> Ints | None:
    """Return the frames that two fields part otherwise; None where that is more than a few."""
    if len(one.values) != len(other.values):
        return None
    both = np.bincount(one.value.astype(np.int64) << 8 | other.value, minlength=1 << 16)
    table = both.reshape(256, 256)[np.ix_(one.values, other.values)]
    match = table.argmax(axis=1)
    alike = table.max(axis=1)
    least = (1.0 - _NEARLY_ALIKE) * np.maximum(table.sum(axis=1), table.sum(axis=0)[match])
    if len(set(match.tolist())) < len(match) or (alike < least).any():
        return None
    expected = np.zeros(256, dtype=np.uint8)
    expected[list(one.values)] = np.array(other.values)[match]
    return np.flatnonzero(expected[one.value] != other.value)


def _starts_around(rows: Ints, count: int) -> Ints:
    return np.unique(np.clip(rows - WINDOW // 2, 0, count - WINDOW))


def _split_bits(
    payload: Bytes,
    value: Bytes,
    starts: Ints,
    columns: frozenset[int],
    most: float = np.inf,
) -> float:
    """Return bits of the frames in windows, written down kind by kind.

    It stops where it has `most` bits: the kinds that are left could only add to them.
    """
    rows = starts[:, None] + np.arange(WINDOW)
    split = 0.0
    for one in np.unique(value[rows]):
        own = np.flatnonzero(value == one)
        first = np.searchsorted(own, starts + WINDOW // 2) - WINDOW // 2
        own_starts = np.clip(first, 0, len(own) - WINDOW)
        (cost,) = describe_frames(payload[own], own_starts, [columns])
        split += cost * float(np.mean(value[rows] == one))
        if split >= most:
            break
    return split


def _compare(
    payload: Bytes, value: Bytes, columns: frozenset[int], known: frozenset[int]
) -> float | None:
    """Return bits kind by kind over bits one after the other; None where no kinds are told apart.

    Both are held against each other at the same instants, around frames of the rarest kind: of few
    frames among many the saving is small on the whole, and large for each of them. One after the
    other the frames may be written down with the field as well as without it: of a count of time
    that goes on evenly the lowest bits part the frames, and cost nothing where they are left in.
    """
    counts = np.bincount(value)
    values = np.flatnonzero(counts)
    rare = np.flatnonzero(value == values[counts[values].argmin()])
    picked = rare[np.linspace(0, len(rare) - 1, _WINDOWS).astype(int)]
    starts = _starts_around(picked, len(payload))
    joint = min(describe_frames(payload, starts, [columns, known]))
    changes = int((np.diff(value[starts[:, None] + np.arange(WINDOW)], axis=1) != 0).sum())
    if joint <= MIN_SAVED * changes:
        return None  # nothing could save enough
    most = max(min(MAX_RATIO * joint, joint - MIN_SAVED * changes), joint - ALWAYS_SAVED * changes)
    split = _split_bits(payload, value, starts, columns, most)
    return split / max(joint, 1.0) if split < most else None
