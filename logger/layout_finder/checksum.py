"""The checksum of a frame, found from frames alone. Pure.

XOR and CRC are linear over GF(2): of the difference of two frames they give the difference of the
checksums, whatever start value, final XOR and identifier went into them. A sum is held against
the checksum byte up to a constant. The evidence is eight bits for each independent difference,
less what the many tests that were tried give by chance.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import cache
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.crc8 import make_crc8_table
from logger.layout_finder.bits import BitField, bit_columns
from logger.layout_finder.borders import describe_frames
from logger.layout_finder.field_cost import WINDOW
from logger.layout_finder.traffic import Bytes

__all__ = [
    "ChecksumFamily",
    "FoundChecksum",
    "compute_checksum",
    "find_checksum",
    "match_checksum",
    "rank_over_gf2",
]

MIN_RANK: Final = 6
"""Fewer independent differences let slow frames agree by chance."""
MIN_AGREEMENT: Final = 0.99
MIN_EVIDENCE: Final = 15.0
"""Bits, of a way of computing that is known of other frames."""
MOST_SKIPPED: Final = 2
MOST_SKIPPED_END: Final = 3
MOST_FRAMES: Final = 600
"""Frames that a test is held against, spread over the recording."""
FIRST_LOOK: Final = 24
LOOKED_WINDOWS: Final = 24
UNCUSTOMARY: Final = 64.0
UNCUSTOMARY_SHARE: Final = 0.02
"""Bits, or share of the bits of the frames, of a checksum that is not the last byte: of frames of
several kinds the shortest description is not known so exactly."""
TOWARDS_BEGIN: Final = 16.0
"""Bits for each byte that it stands before the end: of noise and a checksum of noise, which are as
dear, the checksum is mostly behind."""


class ChecksumFamily(Enum):
    """How the byte is computed from the others."""

    XOR = "xor"
    SUM = "sum"
    NEGATIVE_SUM = "negative_sum"
    CRC8 = "crc8"
    REFLECTED_CRC8 = "reflected_crc8"
    """The lowest bit of each byte first."""


@dataclass(frozen=True)
class FoundChecksum:
    """A byte that follows from the other bytes of its frame."""

    byte: int
    family: ChecksumFamily
    polynomial: int | None
    """Of a CRC, the highest term left out, the highest bit first also where it is reflected."""
    skipped: int
    """Bytes at the beginning of the frame that do not count."""
    skipped_end: int
    """The same at its end, the checksum itself left out."""
    constant: int
    """XOR with (of a sum: plus) what the family gives from zero, for frames of this length."""
    rank: int
    agreement: float
    """Share of frames, or differences of frames, that agree."""
    evidence_bits: float
    alike: int = 0
    """How many other ways of computing it agree as well (bytes that never changed)."""

    from_end: int | None = None
    """Bytes from it to the end of the frame, itself counted, where it is the last; else None."""

    @property
    def field(self) -> BitField:
        """The place of the byte."""
        return BitField(8 * self.byte, 8)


def rank_over_gf2(rows: Bytes) -> int:
    """Return how many rows of bytes are independent of each other under XOR."""
    basis: dict[int, int] = {}
    for row in rows:
        number = int.from_bytes(row.tobytes(), "big")
        while number:
            top = number.bit_length()
            if top not in basis:
                basis[top] = number
                break
            number ^= basis[top]
    return len(basis)


@cache
def _crc_tables() -> Ints:
    """Return int64[2, 128, 256]: not reflected and reflected, polynomials with the +1 term."""
    tables = [[make_crc8_table(one, way) for one in range(1, 256, 2)] for way in (False, True)]
    return np.array(tables, np.int64)


def _crc_of(rows: Bytes, tables: Ints) -> Ints:
    """Return int64[polynomials, n] of uint8[n, bytes], from a start value of zero."""
    state = np.zeros((len(tables), len(rows)), dtype=np.int64)
    which = np.arange(len(tables))[:, None]
    for column in rows.T.astype(np.int64):
        state = tables[which, state ^ column]
    return state


def _covered(payload: Bytes, byte: int, skipped: int, skipped_end: int) -> Bytes:
    """Return the bytes that a checksum at a byte is computed of."""
    others = np.delete(payload, byte, axis=1)
    return others[:, skipped : others.shape[1] - skipped_end]


def compute_checksum(payload: Bytes, found: FoundChecksum) -> Bytes:
    """Return what the checksum byte of each frame has to be, uint8[n], for uint8[n, bytes]."""
    covered = _covered(payload, found.byte, found.skipped, found.skipped_end)
    if found.family is ChecksumFamily.XOR:
        total = np.bitwise_xor.reduce(covered, axis=1)
        return np.asarray(total ^ np.uint8(found.constant), dtype=np.uint8)
    if found.family in {ChecksumFamily.SUM, ChecksumFamily.NEGATIVE_SUM}:
        total = covered.sum(axis=1, dtype=np.int64)
        sign = 1 if found.family is ChecksumFamily.SUM else -1
        return np.asarray((sign * total + found.constant) & 0xFF, dtype=np.uint8)
    reflected = int(found.family is ChecksumFamily.REFLECTED_CRC8)
    table = _crc_tables()[reflected][(int(found.polynomial or 1) - 1) // 2][None]
    return np.asarray(_crc_of(covered, table)[0] ^ found.constant, dtype=np.uint8)


def _constant_of(payload: Bytes, found: FoundChecksum) -> tuple[int, float]:
    """Return the commonest constant and the share of frames that have it."""
    difference = payload[:, found.byte].astype(np.int64)
    computed = compute_checksum(payload, found).astype(np.int64)
    if found.family in {ChecksumFamily.SUM, ChecksumFamily.NEGATIVE_SUM}:
        difference = (difference - computed) & 0xFF
    else:
        difference = difference ^ computed
    counts = np.bincount(difference, minlength=256)
    return int(counts.argmax()), float(counts.max() / max(1, len(payload)))


def _coverages(width: int) -> list[tuple[int, int]]:
    """Return how many bytes may be left out at the beginning and the end of a frame."""
    return [
        (skipped, skipped_end)
        for skipped in range(MOST_SKIPPED + 1)
        for skipped_end in range(MOST_SKIPPED_END + 1)
        if skipped + skipped_end <= width - 3
    ]


def _candidates(payload: Bytes, byte: int) -> list[FoundChecksum]:
    """Return the ways of computing a byte that a first look at the frames leaves over."""
    looked_at = payload[np.linspace(0, len(payload) - 1, FIRST_LOOK).astype(int)]
    target = (looked_at[1:, byte] ^ looked_at[:-1, byte]).astype(np.int64)
    left: list[tuple[ChecksumFamily, int | None, int, int]] = []
    # A damaged frame spoils two differences.
    needed = len(target) - 2
    for skipped, skipped_end in _coverages(payload.shape[1]):
        left += [
            (family, None, skipped, skipped_end)
            for family in (ChecksumFamily.XOR, ChecksumFamily.SUM, ChecksumFamily.NEGATIVE_SUM)
        ]
        covered = _covered(looked_at, byte, skipped, skipped_end)
        changes = covered[1:] ^ covered[:-1]
        for reflected, family in enumerate((ChecksumFamily.CRC8, ChecksumFamily.REFLECTED_CRC8)):
            agrees = (_crc_of(changes, _crc_tables()[reflected]) == target).sum(axis=1)
            left += [
                (family, 2 * int(number) + 1, skipped, skipped_end)
                for number in np.flatnonzero(agrees >= needed)
            ]
    return [FoundChecksum(byte, *one, 0, 0, 0.0, 0.0) for one in left]


def _is_copied(payload: Bytes, byte: int) -> bool:
    """Return whether a byte only repeats another: a copied value makes the XOR of all constant."""
    changes = payload ^ payload[:1]
    return any(
        np.mean(changes[:, other] == changes[:, byte]) > MIN_AGREEMENT
        for other in range(payload.shape[1])
        if other != byte and changes[:, other].any()
    )


def match_checksum(payload: Bytes, known: Sequence[FoundChecksum]) -> FoundChecksum | None:
    """Return one of some known ways of computing that frames agree with; or None.

    All frames of a drive have one. Where few are tried, few differences tell: frames that are too
    slow for `find_checksum` are known by those of another identifier.
    """
    if len(payload) < MIN_RANK + 2 or payload.shape[1] < 3:
        return None
    rows = np.unique(np.linspace(0, len(payload) - 1, MOST_FRAMES).astype(int))
    sample = payload[rows]
    for one in known:
        # The last byte stays the last where frames are of another length.
        byte = one.byte if one.from_end is None else payload.shape[1] - one.from_end
        if not 0 <= byte < payload.shape[1] or len(np.unique(sample[:, byte])) < 2:
            continue
        trial = replace(one, byte=byte)
        constant, agreement = _constant_of(sample, trial)
        others = _covered(sample, byte, one.skipped, one.skipped_end)
        rank = rank_over_gf2(others[1:] ^ others[:-1])
        evidence = 8.0 * rank - math.log2(len(known))
        if agreement >= MIN_AGREEMENT and evidence >= MIN_EVIDENCE:
            return replace(
                trial, constant=constant, agreement=agreement, rank=rank, evidence_bits=evidence
            )
    return None


def find_checksum(payload: Bytes) -> FoundChecksum | None:
    """Return the checksum byte of frames of one identifier and length, uint8[n, bytes]; or None."""
    frame_count, width = payload.shape
    if width < 3 or frame_count < MIN_RANK + 2:
        return None
    rows = np.unique(np.linspace(0, frame_count - 1, MOST_FRAMES).astype(int))
    # Neighbours as well: a recording whose frames alternate would give few differences.
    rows = np.unique(np.concatenate([rows, np.minimum(rows + 1, frame_count - 1)]))
    sample = payload[rows]
    places = range(width) if width <= 8 else (0, 1, width - 2, width - 1)
    tests = len(places) * len(_coverages(width)) * (3 + 256)
    found: list[FoundChecksum] = []
    for byte in places:
        if len(np.unique(sample[:, byte])) < MIN_RANK or _is_copied(sample, byte):
            continue
        for trial in _candidates(sample, byte):
            constant, agreement = _constant_of(sample, trial)
            if agreement < MIN_AGREEMENT:
                continue
            others = _covered(sample, byte, trial.skipped, trial.skipped_end)
            rank = rank_over_gf2(others[1:] ^ others[:-1])
            evidence = 8.0 * rank - math.log2(tests)
            changing = int((bit_columns(others[1:] ^ others[:-1]).any(axis=0)).sum())
            if rank >= MIN_RANK and changing > MIN_RANK:
                found.append(
                    replace(
                        trial,
                        constant=constant,
                        rank=rank,
                        agreement=agreement,
                        evidence_bits=evidence,
                    )
                )
    if not found:
        return None
    cost = _costs_without(payload, sorted({one.byte for one in found}))
    # What skips more has no more evidence.
    simple = list(ChecksumFamily)
    best = min(
        found,
        key=lambda one: (
            *(cost[one.byte], -one.rank, one.skipped + one.skipped_end),
            *(simple.index(one.family), one.polynomial or 0),
        ),
    )
    # The CRC of x^8 + 1 is the XOR.
    alike = sum(one.byte == best.byte and one.polynomial != 1 for one in found) - 1
    return replace(best, alike=alike, from_end=1 if best.byte == width - 1 else None)


def _costs_without(payload: Bytes, places: Sequence[int]) -> dict[int, float]:
    """Return the bits of the rest of the frames, by which byte is taken for the checksum.

    Of frames whose XOR (or sum) is constant each byte follows from the others. The checksum is
    that without which the others are the easiest to write down.
    """
    last = payload.shape[1] - 1
    if len(places) == 1 or len(payload) < WINDOW:
        return {byte: 0.0 if byte == last else UNCUSTOMARY for byte in places}
    windows = np.unique(np.linspace(0, len(payload) - WINDOW, LOOKED_WINDOWS).astype(np.int64))
    known = [frozenset(range(8 * byte, 8 * byte + 8)) for byte in places]
    costs = describe_frames(payload, windows, known)
    more = max(UNCUSTOMARY, UNCUSTOMARY_SHARE * min(costs))
    return {
        byte: cost + (0.0 if byte == last else more + TOWARDS_BEGIN * (last - byte))
        for byte, cost in zip(places, costs, strict=True)
    }
