"""The checksum of a frame, found from frames alone. Pure.

XOR and CRC are linear over GF(2): of the difference of two frames they give the difference of the
checksums, whatever start value, final XOR and identifier went into them. A sum is held against
the checksum byte up to a constant. The evidence is eight bits for each independent difference,
less what the many tests that were tried give by chance.
"""

import math
from collections.abc import Collection, Mapping, Sequence
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
    "Method",
    "agreeing_checksums",
    "choose_way",
    "compute_checksum",
    "costs_without",
    "crc_table",
    "doubted_bits",
    "find_checksum",
    "hold_against",
    "rank_over_gf2",
    "spread_frames",
    "uncustomary_bits",
]

MIN_RANK: Final = 6
"""Fewer independent differences let slow frames agree by chance."""
MIN_AGREEMENT: Final = 0.99
MOST_SKIPPED: Final = 2
MOST_SKIPPED_END: Final = 3
MOST_FRAMES: Final = 600
"""Frames that a test is held against, spread over the recording."""
FIRST_LOOK: Final = 24
MOST_RANKED: Final = 200
"""Different changes whose rank is looked at: of frames that change much, some tell enough."""
MOST_PLACES: Final = 5
"""Bytes that are held against each other as the checksum."""
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


Method = tuple[ChecksumFamily, int | None, int, int]
"""Family, polynomial, bytes left out at the beginning and at the end."""


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
    def method(self) -> Method:
        """How it is computed, wherever it lies and whatever it begins with."""
        return (self.family, self.polynomial, self.skipped, self.skipped_end)

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


def crc_table(found: FoundChecksum) -> Ints:
    """Return the table of a CRC, int64[256]: from state XOR byte to the next state."""
    reflected = int(found.family is ChecksumFamily.REFLECTED_CRC8)
    return np.asarray(_crc_tables()[reflected][(int(found.polynomial or 1) - 1) // 2])


def _crc_states(rows: Bytes, tables: Ints, last: int) -> list[Ints]:
    """Return int64[polynomials, n] of uint8[n, bytes], from a start value of zero.

    First that after all bytes, then after all but one, and so on: `last` of them at most.
    """
    states = [np.zeros((len(tables), len(rows)), dtype=np.int64)]
    which = np.arange(len(tables))[:, None]
    for column in rows.T.astype(np.int64):
        states = [tables[which, states[0] ^ column], *states[: last - 1]]
    return states


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
    state = _crc_states(covered, crc_table(found)[None], 1)[0][0]
    return np.asarray(state ^ found.constant, dtype=np.uint8)


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
    allowed = _coverages(payload.shape[1])
    # A damaged frame spoils two differences.
    needed = len(target) - 2
    simple = (ChecksumFamily.XOR, ChecksumFamily.SUM, ChecksumFamily.NEGATIVE_SUM)
    left: list[Method] = []
    for method in ((family, None, *one) for one in allowed for family in simple):
        trial = FoundChecksum(byte, *method, 0, 0, 0.0, 0.0)
        if _constant_of(looked_at, trial)[1] * len(looked_at) >= needed:
            left.append(method)
    for skipped in dict.fromkeys(one[0] for one in allowed):
        covered = _covered(looked_at, byte, skipped, 0)
        changes = covered[1:] ^ covered[:-1]
        for reflected, family in enumerate((ChecksumFamily.CRC8, ChecksumFamily.REFLECTED_CRC8)):
            states = _crc_states(changes, _crc_tables()[reflected], MOST_SKIPPED_END + 1)
            for skipped_end, state in enumerate(states):
                if (skipped, skipped_end) in allowed:
                    agrees = (state == target).sum(axis=1)
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


def spread_frames(payload: Bytes) -> Bytes:
    """Return the frames that a way of computing is held against, spread over the recording."""
    rows = np.unique(np.linspace(0, len(payload) - 1, MOST_FRAMES).astype(int))
    # Neighbours as well: a recording whose frames alternate would give few differences.
    rows = np.unique(np.concatenate([rows, np.minimum(rows + 1, len(payload) - 1)]))
    return np.asarray(payload[rows])


def hold_against(sample: Bytes, trial: FoundChecksum) -> FoundChecksum:
    """Return a way of computing with its constant, agreement and rank of some frames."""
    constant, agreement = _constant_of(sample, trial)
    others = _covered(sample, trial.byte, trial.skipped, trial.skipped_end)
    rank = 0
    if agreement >= MIN_AGREEMENT:
        changes = list(dict.fromkeys(row.tobytes() for row in others[1:] ^ others[:-1]))
        ranked = b"".join(changes[:: 1 + len(changes) // MOST_RANKED])
        rank = rank_over_gf2(np.frombuffer(ranked, np.uint8).reshape(-1, others.shape[1]))
    return replace(trial, constant=constant, agreement=agreement, rank=rank)


def agreeing_checksums(payload: Bytes) -> tuple[FoundChecksum, ...]:
    """Return all ways of computing a byte of frames, uint8[n, bytes], that they agree with."""
    frame_count, width = payload.shape
    if width < 3 or frame_count < MIN_RANK + 2:
        return ()
    sample = spread_frames(payload)
    tests = width * len(_coverages(width)) * (3 + 256)
    found: list[FoundChecksum] = []
    for byte in range(width):
        if len(np.unique(sample[:, byte])) < MIN_RANK or _is_copied(sample, byte):
            continue
        for trial in _candidates(sample, byte):
            held = hold_against(sample, trial)
            if held.agreement < MIN_AGREEMENT or held.rank < MIN_RANK:
                continue
            others = _covered(sample, byte, trial.skipped, trial.skipped_end)
            changing = int((bit_columns(others[1:] ^ others[:-1]).any(axis=0)).sum())
            if changing > MIN_RANK:
                evidence = 8.0 * held.rank - math.log2(tests)
                found.append(replace(held, evidence_bits=evidence))
    places = _most_changing(sample, {one.byte for one in found})
    return tuple(one for one in found if one.byte in places)


def _most_changing(payload: Bytes, places: Collection[int]) -> Collection[int]:
    """Return the bytes that change most, of many, and the last one.

    A checksum changes with every other byte.
    """
    last = payload.shape[1] - 1
    changes = (payload[1:] != payload[:-1]).sum(axis=0)
    return sorted(places, key=lambda byte: (byte != last, -changes[byte]))[:MOST_PLACES]


def find_checksum(payload: Bytes) -> FoundChecksum | None:
    """Return the checksum byte of frames of one identifier and length, uint8[n, bytes]; or None."""
    ways = agreeing_checksums(payload)
    if not ways:
        return None
    cost = costs_without([payload], {one.byte for one in ways})
    byte = min(cost, key=lambda one: cost[one] + uncustomary_bits(one, payload.shape[1], cost))
    return choose_way(ways, byte, payload.shape[1])


def choose_way(
    ways: Sequence[FoundChecksum],
    byte: int,
    width: int,
    support: Mapping[Method, int] | None = None,
) -> FoundChecksum:
    """Return the way of computing a byte that most other frames agree with, then the simplest.

    `support` says of how many other frames each is one. What skips more has no more evidence.
    """
    known = support or {}
    simple = list(ChecksumFamily)
    own = [one for one in ways if one.byte == byte]
    most = max(known.get(one.method, 0) for one in own)
    own = [one for one in own if known.get(one.method, 0) == most]
    best = min(
        own,
        key=lambda one: (
            *(-one.rank, one.skipped + one.skipped_end),
            *(simple.index(one.family), one.polynomial or 0),
        ),
    )
    # The CRC of x^8 + 1 is the XOR.
    alike = sum(one.polynomial != 1 for one in own) - (best.polynomial != 1)
    return replace(best, alike=alike, from_end=1 if byte == width - 1 else None)


def costs_without(kinds: Sequence[Bytes], places: Collection[int]) -> dict[int, float]:
    """Return the bits of the rest of the frames, by which byte is taken for the checksum.

    Of frames whose XOR (or sum) is constant each byte follows from the others. The checksum is
    that without which the others are the easiest to write down; `kinds` are written one by one.
    """
    ordered = sorted(places)
    total = dict.fromkeys(ordered, 0.0)
    if len(ordered) == 1:
        return total
    known = [frozenset(range(8 * byte, 8 * byte + 8)) for byte in ordered]
    for payload in kinds:
        if len(payload) < WINDOW:
            continue
        windows = np.unique(np.linspace(0, len(payload) - WINDOW, LOOKED_WINDOWS).astype(np.int64))
        for byte, cost in zip(ordered, describe_frames(payload, windows, known), strict=True):
            total[byte] += cost
    return total


def doubted_bits(cost: Mapping[int, float]) -> float:
    """Return by how many bits a byte has to be better than that which is more usual."""
    return max(UNCUSTOMARY, UNCUSTOMARY_SHARE * min(cost.values()))


def uncustomary_bits(byte: int, width: int, cost: Mapping[int, float]) -> float:
    """Return the bits that a checksum at a byte has to save: none of the last byte."""
    last = width - 1
    return 0.0 if byte == last else doubted_bits(cost) + TOWARDS_BEGIN * (last - byte)
