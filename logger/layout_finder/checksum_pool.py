"""The checksums of all frames of a bus, held together. Pure.

Whoever sends several kinds of frames computes their checksums alike, mostly at the same byte: what
frames that change much tell of the way of computing holds for those that hardly or never change.
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.layout_finder.checksum import (
    MIN_AGREEMENT,
    MIN_RANK,
    ChecksumFamily,
    FoundChecksum,
    Method,
    agreeing_checksums,
    choose_way,
    costs_without,
    crc_table,
    doubted_bits,
    hold_against,
    spread_frames,
    uncustomary_bits,
)
from logger.layout_finder.traffic import Bytes

__all__ = ["CheckedFrames", "check_frames", "choose_checksums", "weigh_bytes"]

MIN_EVIDENCE: Final = 15.0
"""Bits, of a way of computing that is known of other frames. Values that move together, as a copy
does, agree far more often than by chance: that is why so many."""
MIN_FORETOLD_EVIDENCE: Final = 5.0
"""The same where the constant is as the other frames foretell it: no value agrees with that."""
_CONSTANT_BITS: Final = 8.0
_USUAL_BITS: Final = {0x00: 0.7, 0xFF: 3.0}
"""Bits that a constant byte tells by being as foretold; of one that is usual in any frame, few."""
_FORMS: Final = {"none": 0.6, "low": 0.15, "little": 0.125, "big": 0.125}
"""How often none, the lowest byte or all of the identifier, in either order, is computed in."""
_FINALS: Final = {0x00: 0.6, 0xFF: 0.25, 0x55: 0.1, 0xAA: 0.05}
"""What a CRC is inverted with in the end, and how often."""
_LINEAR: Final = {ChecksumFamily.CRC8, ChecksumFamily.REFLECTED_CRC8}


@dataclass(frozen=True, eq=False)
class CheckedFrames:
    """Frames of one identifier and length, and how a byte of them may be computed."""

    identifier: int
    extended: bool
    payload: Bytes
    ways: tuple[FoundChecksum, ...]
    cost: Mapping[int, float]
    """See `costs_without`."""

    @property
    def width(self) -> int:
        """Bytes of a frame."""
        return int(self.payload.shape[1])


def check_frames(identifier: int, payload: Bytes, *, extended: bool) -> CheckedFrames:
    """Return frames, uint8[n, bytes], and all ways of computing a byte that they agree with."""
    ways = agreeing_checksums(payload)
    cost = costs_without([payload], {one.byte for one in ways}) if ways else {}
    return CheckedFrames(identifier, extended, payload, ways, cost)


def weigh_bytes(frames: CheckedFrames, kinds: Sequence[Bytes]) -> CheckedFrames:
    """Return frames whose checksum bytes are weighed kind by kind.

    A byte that stands still in one kind, the rest of which changes, is no checksum there.
    """
    if len(frames.cost) < 2 or len(kinds) < 2:
        return frames
    return replace(frames, cost=costs_without(kinds, frames.cost))


def choose_checksums(frames: Sequence[CheckedFrames]) -> list[FoundChecksum | None]:
    """Return the checksum of each: found by itself, or known by the others; None: it has none."""
    byte_of = _bytes_of(frames)
    support = Counter(
        method
        for one, byte in zip(frames, byte_of, strict=True)
        for method in {way.method for way in one.ways if way.byte == byte}
    )
    found = [
        None if byte is None else choose_way(one.ways, byte, one.width, support)
        for one, byte in zip(frames, byte_of, strict=True)
    ]
    known = [
        (one, checksum) for one, checksum in zip(frames, found, strict=True) if checksum is not None
    ]
    if not known:
        return found
    return [
        checksum or _match(one, known, support) for one, checksum in zip(frames, found, strict=True)
    ]


def _bytes_of(frames: Sequence[CheckedFrames]) -> list[int | None]:
    """Return the checksum byte of each: the same in all of one length, if they allow it."""
    usual: dict[int, int] = {}
    for width in {one.width for one in frames}:
        some = [one for one in frames if one.width == width and one.ways]
        bits = {
            byte: sum(_bits_at(one, byte) for one in some)
            + min(uncustomary_bits(byte, width, one.cost) for one in some)
            for byte in {byte for one in some for byte in one.cost}
        }
        if bits:
            usual[width] = min(bits, key=lambda byte: bits[byte])
    return [_byte_of(one, usual[one.width]) if one.ways else None for one in frames]


def _bits_at(frames: CheckedFrames, byte: int) -> float:
    """Return the bits of frames with their checksum at a byte, or wherever else it may be."""
    elsewhere = min(frames.cost.values()) + doubted_bits(frames.cost)
    return min(frames.cost.get(byte, elsewhere), elsewhere)


def _byte_of(frames: CheckedFrames, usual: int) -> int:
    cost = frames.cost
    own = min(cost, key=lambda byte: cost[byte] + uncustomary_bits(byte, frames.width, cost))
    near = cost.get(usual, np.inf) - cost[own] <= doubted_bits(cost)
    return usual if near else own


def _match(
    frames: CheckedFrames,
    known: Sequence[tuple[CheckedFrames, FoundChecksum]],
    support: Mapping[Method, int],
) -> FoundChecksum | None:
    """Return the way of computing of other frames that frames agree with; None: they do not.

    Where few ways are tried, few differences tell, and of frames that never change the constant.
    """
    if len(frames.payload) < MIN_RANK + 2 or frames.width < 3:
        return None
    sample = spread_frames(frames.payload)
    methods = sorted({one.method for _, one in known}, key=lambda one: -support.get(one, 0))
    tried = 0
    for byte, usual in _places(frames.width, known):
        for method in methods:
            is_crc = method[0] in _LINEAR
            if method[2] + method[3] > frames.width - 3 or not (usual or is_crc):
                continue  # of a XOR or sum each byte follows from the others
            tried += 1
            held = hold_against(sample, FoundChecksum(byte, *method, 0, 0, 0.0, 0.0))
            if held.agreement < MIN_AGREEMENT:
                continue
            alike = [(one, way) for one, way in known if way.method == method]
            foretold = _foretell(frames, held, alike)
            evidence = 8.0 * held.rank - math.log2(tried)
            needed = MIN_EVIDENCE
            if held.constant in foretold:
                seen = int(np.bincount(sample[:, byte]).argmax())
                evidence += (
                    _CONSTANT_BITS if held.rank else _USUAL_BITS.get(seen, _CONSTANT_BITS)
                ) + math.log2(foretold[held.constant])
                needed = MIN_FORETOLD_EVIDENCE
            if evidence >= needed:
                end = 1 if byte == frames.width - 1 else None
                return replace(held, evidence_bits=evidence, from_end=end)
    return None


def _places(
    width: int, known: Sequence[tuple[CheckedFrames, FoundChecksum]]
) -> Iterator[tuple[int, bool]]:
    """Yield the bytes that may be the checksum, and whether it is usual there, these first.

    The last byte stays the last where frames are of another length.
    """
    usual = [one.byte for frames, one in known if frames.width == width]
    usual += [width - 1 for _, one in known if one.from_end is not None]
    usual += [one.byte for _, one in known if one.from_end is None and one.byte < width]
    first = list(dict.fromkeys(usual))
    yield from ((byte, True) for byte in first)
    yield from ((byte, False) for byte in reversed(range(width)) if byte not in first)


def _foretell(
    frames: CheckedFrames,
    held: FoundChecksum,
    known: Sequence[tuple[CheckedFrames, FoundChecksum]],
) -> dict[int, float]:
    """Return the constants that frames may have, by those of others, and how probable each is.

    What explains most of the others is held for true: see `_FORMS` and `_FINALS`.
    """
    finals = _FINALS if held.family in _LINEAR else {0: 1.0}
    explained: dict[int, dict[int, float]] = {}
    for form, usual in _FORMS.items():
        own = _identifier_bytes(frames, form)
        for final, as_usual in finals.items():
            starts = Counter(
                _start_of(one, way, _identifier_bytes(one, form), final) for one, way in known
            )
            start, count = starts.most_common(1)[0]
            constant = _constant_of_start(frames, held, own, (start, final))
            weights = explained.setdefault(count, {})
            weights[constant] = weights.get(constant, 0.0) + usual * as_usual
    best = explained[max(explained)]
    whole = sum(best.values())
    return {constant: weight / whole for constant, weight in best.items()}


def _identifier_bytes(frames: CheckedFrames, form: str) -> bytes:
    if form == "none":
        return b""
    size = 4 if frames.extended else 2
    whole = frames.identifier.to_bytes(size, "big" if form == "big" else "little")
    return whole[:1] if form == "low" else whole


def _covered_count(frames: CheckedFrames, way: FoundChecksum) -> int:
    return frames.width - 1 - way.skipped - way.skipped_end


def _start_of(frames: CheckedFrames, way: FoundChecksum, before: bytes, final: int) -> int:
    """Return the start value that gives the constant of frames, some bytes computed in before."""
    if way.family is ChecksumFamily.XOR:
        return way.constant ^ int(np.bitwise_xor.reduce([0, *before]))
    if way.family is ChecksumFamily.SUM:
        return (way.constant - sum(before)) & 0xFF
    if way.family is ChecksumFamily.NEGATIVE_SUM:
        return (way.constant + sum(before)) & 0xFF
    back = np.argsort(crc_table(way))
    state = way.constant ^ final
    for byte in (*bytes(_covered_count(frames, way)), *reversed(before)):
        state = int(back[state]) ^ byte
    return state


def _constant_of_start(
    frames: CheckedFrames, way: FoundChecksum, before: bytes, ends: tuple[int, int]
) -> int:
    """Return the constant of frames, by start value and final XOR: see `_start_of`."""
    start, final = ends
    if way.family is ChecksumFamily.XOR:
        return start ^ int(np.bitwise_xor.reduce([0, *before]))
    if way.family is ChecksumFamily.SUM:
        return (start + sum(before)) & 0xFF
    if way.family is ChecksumFamily.NEGATIVE_SUM:
        return (start - sum(before)) & 0xFF
    table: Ints = crc_table(way)
    state = start
    for byte in (*before, *bytes(_covered_count(frames, way))):
        state = int(table[state ^ byte])
    return state ^ final
