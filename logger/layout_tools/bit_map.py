"""What each bit of a kind of frame is taken for. Pure."""

from dataclasses import dataclass
from enum import StrEnum

from logger.layout_finder.proposal import ProposedKind

__all__ = ["BitClaim", "ClaimSort", "claim_bits"]


class ClaimSort(StrEnum):
    """What a bit is."""

    STILL = "still"
    """It never changed."""
    VALUE = "value"
    """Of a value with a meaning."""
    UNKNOWN = "unknown"
    """It moves, and follows nothing that was done."""
    SELECTOR = "selector"
    """It tells kinds apart."""
    CHECKSUM = "checksum"
    COUNTER = "counter"


@dataclass(frozen=True, slots=True)
class BitClaim:
    """The claim on one bit."""

    sort: ClaimSort
    value: int | None = None
    """Of a value with a meaning: its place among the values of the kind."""


_STILL = BitClaim(ClaimSort.STILL)


def claim_bits(kind: ProposedKind) -> tuple[BitClaim, ...]:
    """Return the claims on the bits of a kind, the lowest bit of byte 0 first."""
    claims = [_STILL] * (8 * kind.length)
    for number, value in enumerate(kind.values):
        claim = (
            BitClaim(ClaimSort.UNKNOWN)
            if value.scale is None
            else BitClaim(ClaimSort.VALUE, number)
        )
        for byte, bit in value.field.bit_places:
            claims[8 * byte + bit] = claim
    fields = [(ClaimSort.COUNTER, one.field) for one in kind.counters]
    fields += [(ClaimSort.CHECKSUM, kind.checksum.field)] if kind.checksum else []
    fields += [(ClaimSort.SELECTOR, kind.multiplexer)] if kind.multiplexer else []
    for sort, field in fields:
        for byte, bit in field.bit_places:
            claims[8 * byte + bit] = BitClaim(sort)
    return tuple(claims)
