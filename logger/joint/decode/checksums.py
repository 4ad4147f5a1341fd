"""The checksums of frames: which frames were damaged. Pure.

CRC-8 goes by a table of 256 entries, one step a byte, over all frames of a batch at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.crc8 import REVERSED_BITS, make_crc8_table
from logger.joint.batch import FrameBatch
from logger.joint.bench.frame_checks import Checksum
from logger.joint.bench.frame_match import FrameMatch

__all__ = [
    "CHECKSUM_WRONG",
    "ChecksumPlan",
    "DamagedFrames",
    "compute_checksums",
    "drop_damaged",
    "plan_checksums",
]

CHECKSUM_WRONG: Final = "checksum wrong"
"""The reason, in words, for which a damaged frame is not decoded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumPlan:
    """The checksum of one kind of frame."""

    match_number: int
    checksum: Checksum
    length: int
    """Bytes that the frame has at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DamagedFrames:
    """The damaged frames of a batch, those of one kind after another."""

    rows: NDArray[np.intp]
    """Their indices in the batch."""
    match_numbers: NDArray[np.intp]
    """The matches that they would have had."""


_NO_ROWS = np.empty(0, np.intp)
_NONE_DAMAGED = DamagedFrames(rows=_NO_ROWS, match_numbers=_NO_ROWS)


def plan_checksums(frame_matches: Sequence[FrameMatch]) -> tuple[ChecksumPlan, ...]:
    """Return how the frames of some matches, numbered in their order, are checked."""
    return tuple(
        ChecksumPlan(match_number=number, checksum=match.checksum, length=match.length)
        for number, match in enumerate(frame_matches)
        if match.checksum is not None
    )


def drop_damaged(
    plans: Sequence[ChecksumPlan], frames: FrameBatch, match_number: NDArray[np.intp]
) -> DamagedFrames:
    """Set the match number of damaged frames to -1, and return which they are.

    `match_number`: shape (n,), changed in place.
    """
    rows_of, numbers_of = [], []
    for plan in plans:
        rows = np.flatnonzero(match_number == plan.match_number)
        if not len(rows):
            continue
        payload = frames.data[rows]
        found = payload[:, plan.checksum.byte]
        rows = rows[found != compute_checksums(payload, plan.checksum, plan.length)]
        match_number[rows] = -1
        rows_of.append(rows)
        numbers_of.append(np.full(len(rows), plan.match_number, np.intp))
    if not rows_of:
        return _NONE_DAMAGED
    return DamagedFrames(rows=np.concatenate(rows_of), match_numbers=np.concatenate(numbers_of))


def compute_checksums(
    payload: NDArray[np.uint8], checksum: Checksum, length: int
) -> NDArray[np.uint8]:
    """Return what the checksum of each frame has to be, shape (n,).

    Parameters
    ----------
    payload
        uint8, shape (n, width), at least `length` wide.
    length
        Bytes of the layout's frame; a longer frame's other bytes do not count.
    """
    covered = payload[:, list(checksum.covered_bytes(length))]
    if checksum.method == "xor":
        total = np.bitwise_xor.reduce(covered, axis=1) ^ np.uint8(checksum.initial)
    elif checksum.method == "crc8":
        total = _crc8(covered, checksum)
    else:
        total = covered.sum(axis=1, dtype=np.uint8) + np.uint8(checksum.initial)
        if checksum.method == "negative-sum":
            total = -total
    return np.asarray(total ^ np.uint8(checksum.final_xor), np.uint8)


def _crc8(covered: NDArray[np.uint8], checksum: Checksum) -> NDArray[np.uint8]:
    assert checksum.polynomial is not None, "the settings hold it for a CRC"
    table = make_crc8_table(checksum.polynomial, checksum.reflected)
    initial = np.uint8(checksum.initial)
    state = np.full(len(covered), REVERSED_BITS[initial] if checksum.reflected else initial)
    for column in covered.T:
        state = table[state ^ column]
    return state
