"""Which part of a proposal belongs to which part of the truth of an invented drive."""

import numpy as np

from logger.layout_finder.bits import BitField
from logger.layout_finder.proposal import Meaning as Claim
from logger.layout_finder.proposal import Proposal, ProposedKind, ProposedValue
from tests.support.drives.truth import FieldTruth, KindTruth, Meaning

__all__ = ["best_value", "changed_places", "claim_for", "kind_for", "places_of"]

_CLAIM_OF = {
    Meaning.POSITION: Claim.POSITION,
    Meaning.SPEED: Claim.SPEED,
    Meaning.TORQUE: Claim.LOAD,
    Meaning.CURRENT: Claim.LOAD,
    Meaning.TEMPERATURE: Claim.TEMPERATURE,
    Meaning.VOLTAGE: Claim.VOLTAGE,
    Meaning.FLAGS: Claim.FLAG,
    Meaning.UPTIME: Claim.UPTIME,
    Meaning.CONSTANT: Claim.UNKNOWN,
}
_SETPOINT_CLAIM_OF = {
    Meaning.POSITION: Claim.COMMANDED_POSITION,
    Meaning.SPEED: Claim.COMMANDED_SPEED,
    Meaning.TORQUE: Claim.COMMANDED_LOAD,
    Meaning.CURRENT: Claim.COMMANDED_LOAD,
}


def places_of(field: BitField) -> tuple[int, ...]:
    """Return the bits of a field as 8 * byte + bit, the lowest of the number first."""
    return tuple(byte * 8 + bit for byte, bit in field.bit_places)


def kind_for(proposal: Proposal, kind: KindTruth) -> ProposedKind | None:
    """Return the proposed kind of just the frames of a true kind."""
    for one in proposal.kinds:
        same = one.identifier == kind.identifier and one.frames == len(kind.rows)
        if not same or one.length != kind.length:
            continue
        if one.multiplexer is None and not kind.selector_places:
            return one
        if one.multiplexer is None or one.multiplexer_value is None:
            continue
        read = dict(zip(places_of(one.multiplexer), range(64), strict=False))
        if all(
            place in read
            and one.multiplexer_value >> read[place] & 1 == kind.selector_value >> number & 1
            for number, place in enumerate(kind.selector_places)
        ):
            return one
    return None


def changed_places(payload: np.ndarray) -> set[int]:
    """Return the bits of frames, uint8[n, bytes], that ever changed."""
    toggled = np.bitwise_or.reduce(payload ^ payload[:1], axis=0)
    return {8 * byte + bit for byte in range(len(toggled)) for bit in range(8)
            if toggled[byte] >> bit & 1}  # fmt: skip


def best_value(kind: ProposedKind | None, field: FieldTruth) -> ProposedValue | None:
    """Return the proposed value that takes most of a true field's bits; None where none does."""
    if kind is None:
        return None
    wanted = set(field.moving_places)
    best = max(kind.values, key=lambda one: len(wanted & set(places_of(one.field))), default=None)
    return best if best and wanted & set(places_of(best.field)) else None


def claim_for(field: FieldTruth) -> Claim:
    """Return what a true field should be taken for."""
    return (_SETPOINT_CLAIM_OF if field.is_setpoint else _CLAIM_OF)[field.meaning]
