"""Counters: fields that go on by the same step with every frame. Pure."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.layout_finder.bits import ORDERS, BitField, BitOrder, read_field, toggle_counts
from logger.layout_finder.traffic import Bytes

__all__ = ["FoundCounter", "find_counters"]

MIN_AGREEMENT: Final = 0.97
MIN_LENGTH: Final = 2
MAX_LENGTH: Final = 32
MIN_FRAMES: Final = 40
ODD_STEPS: Final = (3, 5)
STEPPED_LENGTHS: Final = range(4, 9)
# A counter that starts again before its bits are full keeps its lowest bit there.
_LOWEST_TOGGLES: Final = 0.8


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
        top = value >> (length - 1) & 1
        if top.min() == top.max() or (best is not None and agreement < best.agreement - 1e-9):
            break
        best = FoundCounter(field, step, modulus, agreement)
    return best


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
