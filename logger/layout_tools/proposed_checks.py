"""Checksums and counters that were found in traffic, as a layout has them. Pure.

Only what follows from the frames becomes part of a layout: a wrong polynomial, or a counter that is
none, would have good frames left undecoded or losses counted that never were.
"""

from typing import Final

from logger.joint.bench.frame_checks import Checksum, FrameCounter
from logger.layout_finder.checksum import ChecksumFamily, FoundChecksum
from logger.layout_finder.counter import FoundCounter
from logger.layout_finder.proposal import ProposedKind

__all__ = ["checksum_of", "counter_of", "undecided_checks"]

_METHOD_OF: Final = {
    ChecksumFamily.XOR: "xor",
    ChecksumFamily.SUM: "sum",
    ChecksumFamily.NEGATIVE_SUM: "negative-sum",
    ChecksumFamily.CRC8: "crc8",
    ChecksumFamily.REFLECTED_CRC8: "crc8",
}


def checksum_of(kind: ProposedKind) -> Checksum | None:
    """Return the checksum of a kind of frame; None: it has none, or several ways agree."""
    found = kind.checksum
    if found is None or found.alike:
        return None
    others = [byte for byte in range(kind.length) if byte != found.byte]
    covered = others[found.skipped : len(others) - found.skipped_end]
    return Checksum.model_validate(
        {
            "byte": found.byte,
            "method": _METHOD_OF[found.family],
            "polynomial": found.polynomial,
            "reflected": found.family is ChecksumFamily.REFLECTED_CRC8,
            "covers": None if covered == others else (covered[0], covered[-1]),
            **_constant_keys(found),
        }
    )


def _constant_keys(found: FoundChecksum) -> dict[str, int]:
    """Return what start value and final XOR together give, as the one that is simpler."""
    if found.family is ChecksumFamily.SUM:
        return {"initial": found.constant}
    if found.family is ChecksumFamily.NEGATIVE_SUM:
        return {"initial": -found.constant & 0xFF}
    return {"final_xor": found.constant}


def counter_of(kind: ProposedKind) -> FrameCounter | None:
    """Return the counter of a kind of frame, of several the longest; None: it has none."""
    if not kind.counters:
        return None
    found: FoundCounter = kind.counters[0]
    full = 1 << found.field.length
    return FrameCounter.model_validate(
        {
            "byte": found.field.byte,
            "bit": found.field.bit,
            "bits": found.field.length,
            "order": found.field.order,
            # Whoever counts down goes on by all but one.
            "step": found.step if found.step <= full // 2 else found.step - full,
            "restarts_at": found.modulus if found.modulus != full else None,
            "across_kinds": found.across_kinds,
        }
    )


def undecided_checks(kind: ProposedKind) -> str:
    """Return what was seen and cannot be part of a layout, in words; "": nothing."""
    seen = []
    if kind.checksum is not None and kind.checksum.alike:
        seen.append(
            f"byte {kind.checksum.byte} is a checksum ({kind.checksum.alike + 1} ways of computing "
            "it agree: bytes that never changed would tell them apart)"
        )
    seen += [
        f"byte {one.field.byte} bit {one.field.bit} counts as well ({one.field.length} bits)"
        for one in kind.counters[1:]
    ]
    return "; ".join(seen)
