"""What the four steps cannot tell of an invented drive, and whether a proposal says so."""

from collections.abc import Iterator

from logger.layout_finder.proposal import Meaning as Claim
from logger.layout_finder.proposal import Proposal, Undecided
from tests.support.drives.matching import (
    best_value,
    changed_places,
    claim_for,
    kind_for,
    places_of,
)
from tests.support.drives.truth import DriveTraffic, KindTruth, Meaning

__all__ = ["impossible_things"]

LEAST_FRAMES = 60
LEAST_FRAMES_PER_WRAP = 2.0
_NEVER_TOLD = {
    Meaning.POSITION: (Undecided.ZERO_OF_POSITION, Undecided.GEAR_RATIO),
    Meaning.SPEED: (Undecided.SIDE_OF_SPEED,),
    Meaning.TORQUE: (Undecided.CURRENT_OR_TORQUE,),
    Meaning.CURRENT: (Undecided.CURRENT_OR_TORQUE,),
    Meaning.TEMPERATURE: (Undecided.WHICH_TEMPERATURE, Undecided.TEMPERATURE_SCALE),
    Meaning.FLAGS: (Undecided.FLAG_MEANING,),
}
_NOTHING_SAID = {Undecided.UNKNOWN_VALUE, Undecided.FLAG_MEANING}
"""Of what is said to be of no known meaning, nothing else need be said."""


def _impossible_of(
    proposal: Proposal, number: int, kind: KindTruth, changed: set[int]
) -> Iterator[tuple[str, bool]]:
    """Yield what these steps cannot tell of a kind, and whether the proposal says so."""
    items = [one for one in proposal.undecided if one.kind == number]
    values = proposal.kinds[number].values
    for field in kind.fields:
        if not field.moving_places:
            told = any(one.reason is Undecided.STILL_BITS for one in items)
            assumed = {place for one in values for place in places_of(one.assumed_field)}
            yield f"{field.name} never changed", told or set(field.places) <= assumed
            continue
        moving = set(field.moving_places)
        said = {
            one.reason for one in items if one.field is None or moving & set(places_of(one.field))
        }
        wanted = list(_NEVER_TOLD.get(field.meaning, ()))
        best = best_value(proposal.kinds[number], field)
        named = best is not None and best.meaning not in {Claim.UNKNOWN, Claim.FLAG}
        if named and best.meaning is not claim_for(field):
            # Taken for something else: whether it is too sure of that, the claims tell.
            wanted = []
        if field.places[-1] not in changed:
            wanted.append(Undecided.UPPER_BITS_UNSEEN)
        few = field.least_frames_per_wrap
        if few is not None and few < LEAST_FRAMES_PER_WRAP:
            wanted = [Undecided.TURN_TOO_FAST]
        for reason in wanted:
            is_told = reason in said or bool(said & _NOTHING_SAID)
            if reason is Undecided.UPPER_BITS_UNSEEN:
                is_told |= Undecided.STILL_BITS in said
            yield f"{field.name} {reason.value}", is_told


def impossible_things(drive: DriveTraffic, proposal: Proposal) -> Iterator[tuple[str, bool]]:
    """Yield what these steps cannot tell of a drive, and whether the proposal says so.

    Of kinds that were found; of the others the figure of the kinds tells.
    """
    for kind in drive.truth.kinds:
        found = kind_for(proposal, kind)
        if len(kind.rows) < LEAST_FRAMES:
            seldom = any(one.reason is Undecided.TOO_FEW_FRAMES for one in proposal.undecided)
            if len(kind.rows):
                yield f"{kind.identifier:X} came seldom", seldom
        elif found is not None:
            number = next(place for place, one in enumerate(proposal.kinds) if one is found)
            changed = changed_places(drive.data[kind.rows][:, : kind.length])
            yield from _impossible_of(proposal, number, kind, changed)
