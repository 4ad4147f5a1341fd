"""Counters: fields that go on by the same step with every frame. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.layout_finder.bits import ORDERS, BitField, BitOrder, read_field, toggle_counts
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundCounter", "count_by_kind", "find_counters"]

MIN_AGREEMENT: Final = 0.97
MIN_LENGTH: Final = 2
MAX_LENGTH: Final = 32
MIN_FRAMES: Final = 40
ODD_STEPS: Final = (3, 5)
STEPPED_LENGTHS: Final = range(4, 9)
# A counter that starts again before its bits are full keeps its lowest bit there.
_LOWEST_TOGGLES: Final = 0.8
_CHANCE: Final = 3.0
"""Standard deviations."""


@dataclass(frozen=True)
class FoundCounter:
    """A field whose step from frame to frame is one odd number."""

    field: BitField
    step: int
    modulus: int
    """Where it starts again: 2^length, or less."""
    agreement: float
    """Share of steps that are the one; the rest are lost or damaged frames."""
    across_kinds: bool = False
    """It counts all kinds of frames of its identifier together."""


def _step_of(value: Ints, length: int) -> tuple[int, float, int]:
    """Return the commonest step, the share of frames with it, and the modulus."""
    full = 1 << length
    steps = np.diff(value) & (full - 1)
    commonest, counts = np.unique(steps, return_counts=True)
    step = int(commonest[counts.argmax()])
    top, bottom = int(value.max()), int(value.min())
    restarts = (value[:-1] == top) & (value[1:] == bottom) & (steps != step)
    share = float(np.mean((steps == step) | restarts))
    # Only steps of one tell a smaller modulus; others may begin anywhere after it.
    starts_again = step == 1 and bottom == 0 and int(restarts.sum()) >= 3
    if not starts_again:
        share = float(np.mean(steps == step))
    return step, share, top + 1 if starts_again else full


def _is_step(step: int, length: int) -> bool:
    """Return whether a counter goes on by a step: by one; a short one by a little more.

    What goes on by much is a count of time, of frames that are sent at a fixed rate; and two bits
    that go backwards may be four kinds of frames in turn.
    """
    return step == 1 or (step in ODD_STEPS and length in STEPPED_LENGTHS)


def _grown(payload: Bytes, place: tuple[int, int], order: BitOrder) -> FoundCounter | None:
    """Return the longest counter with its lowest bit at a (byte, bit), if there is one."""
    byte, bit = place
    width = 8 * payload.shape[1]
    lowest = 8 * byte + (bit if order == "little" else 7 - bit)
    best: FoundCounter | None = None
    for length in range(MIN_LENGTH, MAX_LENGTH + 1):
        first = lowest if order == "little" else lowest - length + 1
        if first < 0 or first + length > width:
            break
        field = BitField(first, length, order)
        value = read_field(payload, field)
        step, agreement, modulus = _step_of(value, length)
        if best is not None and agreement >= MIN_AGREEMENT and not _is_step(step, length):
            return None  # the lowest bits of a count by more
        if agreement < MIN_AGREEMENT or not _is_step(step, length):
            if best is None and length < 4:
                continue  # one that starts again early agrees only at its full length
            break
        if not _is_top_bit(value, length, best, agreement):
            break
        best = FoundCounter(field, step, modulus, agreement)
    return best


def _is_top_bit(value: Ints, length: int, best: FoundCounter | None, agreement: float) -> bool:
    """Return whether the highest bit of a field counts with the lower ones, known as `best`.

    A frame that is out of the count agrees by chance, of two bits once in four times and of three
    once in eight: a longer field agrees a little less often. The bit has to change where the lower
    ones are full: a flag beside them does not.
    """
    top = value >> (length - 1) & 1
    if top.min() == top.max():
        return False
    if best is None:
        return True
    missed = (1.0 - best.agreement) * (1.0 - 0.5**length) / (1.0 - 0.5 ** (length - 1))
    if 1.0 - agreement > missed + _CHANCE * np.sqrt(missed / len(value)) + 1e-9:
        return False
    expected = len(value) / (1 << (length - 1)) * best.step
    toggles = int(np.count_nonzero(np.diff(top)))
    return agreement >= best.agreement - 1e-9 or toggles > 0.5 * expected


def count_by_kind(
    across: Sequence[FoundCounter], own: Sequence[tuple[int, Sequence[FoundCounter]]]
) -> bool:
    """Return whether counters count each kind of frames by itself, and not all of them together.

    Beside a kind that comes seldom the counter of the other one goes on evenly across both, but for
    the seldom frames.

    Parameters
    ----------
    across
        Found in the frames of all kinds.
    own
        Of each kind: how many frames it has, and the counters found in them alone.
    """
    frames = sum(count for count, _ in own)
    for counter in across:
        columns = counter.field.little_columns
        matching = [
            (count, [one for one in some if columns <= one.field.little_columns])
            for count, some in own
        ]
        if not all(some for _, some in matching):
            return False
        missed = sum(count * (1.0 - some[0].agreement) for count, some in matching)
        if missed >= 0.5 * frames * (1.0 - counter.agreement):
            return False
    return bool(across)


def find_counters(payload: Bytes) -> tuple[FoundCounter, ...]:
    """Return the counters of frames of one kind, uint8[n, bytes], the longest first."""
    if len(payload) < MIN_FRAMES:
        return ()
    toggles = toggle_counts(payload)
    lowest = np.flatnonzero(toggles > _LOWEST_TOGGLES * (len(payload) - 1))
    grown = [
        counter
        for column in lowest
        for order in ORDERS
        if (counter := _grown(payload, divmod(int(column), 8), order)) is not None
    ]
    grown.sort(key=lambda counter: (-counter.field.length, counter.field.order != "little"))
    found: list[FoundCounter] = []
    taken: set[int] = set()
    for counter in grown:
        if not counter.field.little_columns & taken:
            found.append(counter)
            taken |= counter.field.little_columns
    return tuple(found)
