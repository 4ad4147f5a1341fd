"""Whose frame is it: identifier, bus and leading bytes -> the number of a kind of frame.

Where every kind is told by a whole identifier and at most one leading byte, one search and one
table answer for all frames at once; what that leaves over, and layouts with masks or longer leads,
are asked kind by kind. A frame of nobody is counted under its reason, never an exception. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.layout import EXTENDED_MOST, STANDARD_MOST

__all__ = ["Claim", "OwnerPlan", "owner_plan", "owners_of"]

_NO_DATA: Final = REMOTE | ERROR | SENT
_BUS_PLACE: Final = np.uint64(32)
_EXTENDED_PLACE: Final = np.uint64(31)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a frame must be to be of one kind."""

    bus: int
    extended: bool
    identifier: int
    mask: int
    begins: bytes
    length: int
    """Bytes that it has at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnerPlan:
    """All claims of a bench, and the tables that answer for most frames."""

    claims: tuple[Claim, ...]
    keys: NDArray[np.uint64]
    """The identifiers that are claimed whole, sorted; a bus and the 29-bit flag above them."""
    by_lead: NDArray[np.int32]
    """Shape (keys + 1, 256): number of the claim for a first byte, -1 for none."""
    needs: NDArray[np.uint8]
    """Bytes that a frame of each claim must have."""
    standard: NDArray[np.int32]
    """Shape (2048,): row of `by_lead` for an 11-bit identifier of the first bus; for one that is
    not claimed the last row, which is nobody's."""


def owner_plan(claims: Sequence[Claim]) -> OwnerPlan:
    """Return the plan for claims, which are numbered in their order."""
    direct = [
        (number, claim)
        for number, claim in enumerate(claims)
        if claim.mask == (EXTENDED_MOST if claim.extended else STANDARD_MOST)
        and len(claim.begins) <= 1
    ]
    keys = sorted({_key(claim) for _, claim in direct})
    by_lead = np.full((len(keys) + 1, 256), -1, np.int32)
    for number, claim in direct:
        row = by_lead[keys.index(_key(claim))]
        row[claim.begins[0] if claim.begins else slice(None)] = number
    standard = np.full(STANDARD_MOST + 1, len(keys), np.int32)
    for row, key in enumerate(keys):
        if key <= STANDARD_MOST:
            standard[key] = row
    return OwnerPlan(
        claims=tuple(claims),
        keys=np.array(keys, np.uint64),
        by_lead=by_lead,
        needs=np.array([max(claim.length, len(claim.begins)) for claim in claims], np.uint8),
        standard=standard,
    )


def _key(claim: Claim) -> int:
    return claim.bus << int(_BUS_PLACE) | claim.extended << int(_EXTENDED_PLACE) | claim.identifier


def owners_of(plan: OwnerPlan, frames: FrameBatch) -> tuple[NDArray[np.int32], dict[str, int]]:
    """Return the number of the claim that each frame fits, -1 for none, and why not.

    Returns
    -------
    owner, rejected
        int32, shape (n,); and for each reason in words how many frames. What this program sent is
        nobody's, and no reject.
    """
    owner = _directly(plan, frames)
    left = (owner < 0).nonzero()[0]
    if len(left) == 0:
        return owner, {}
    owner[left], rejected = _one_by_one(plan, frames.taken(left))
    return owner, rejected


def _directly(plan: OwnerPlan, frames: FrameBatch) -> NDArray[np.int32]:
    if len(plan.keys) == 0 or len(frames) == 0:
        return np.full(len(frames), -1, np.int32)
    plain = not (frames.flags.any() or frames.bus.any())
    if plain:
        row = plan.standard[frames.identifier & STANDARD_MOST]
    else:
        key = frames.identifier.astype(np.uint64)
        key |= ((frames.flags & EXTENDED) != 0).astype(np.uint64) << _EXTENDED_PLACE
        key |= frames.bus.astype(np.uint64) << _BUS_PLACE
        found = np.searchsorted(plan.keys, key)
        np.minimum(found, len(plan.keys) - 1, out=found)
        row = np.where(plan.keys[found] == key, found, len(plan.keys)).astype(np.int32)
    owner: NDArray[np.int32] = plan.by_lead[row, frames.data[:, 0]]
    # Whatever a frame calls its length, it has no more bytes than the batch holds.
    fits = np.minimum(frames.length, frames.data.shape[1]) >= plan.needs[owner]
    if plain:
        # A frame that is not extended and has such a number is none that an adapter can give.
        fits &= frames.identifier <= STANDARD_MOST
    else:
        fits &= (frames.flags & _NO_DATA) == 0
    if not fits.all():
        owner[~fits] = -1
    return owner


def _one_by_one(plan: OwnerPlan, frames: FrameBatch) -> tuple[NDArray[np.int32], dict[str, int]]:
    owner = np.full(len(frames), -1, np.int32)
    data_frame = (frames.flags & _NO_DATA) == 0
    extended = (frames.flags & EXTENDED) != 0
    length = np.minimum(frames.length, frames.data.shape[1])
    claimed = np.zeros(len(frames), bool)
    begun = np.zeros(len(frames), bool)
    for number, claim in enumerate(plan.claims):
        fits = data_frame & ((frames.identifier & claim.mask) == claim.identifier)
        fits &= (extended == claim.extended) & (frames.bus == claim.bus)
        claimed |= fits
        for place, byte in enumerate(claim.begins):
            fits &= length > place
            if fits.any():
                fits &= frames.data[:, place] == byte
        begun |= fits
        fits &= length >= claim.length
        owner[fits] = number
    counts = {
        # An adapter may mark a frame as several; it is counted once.
        "remote frame": int(np.count_nonzero((frames.flags & _NO_DATA) == REMOTE)),
        "error frame": int(np.count_nonzero((frames.flags & (ERROR | SENT)) == ERROR)),
        "identifier of no joint": int(np.count_nonzero(data_frame & ~claimed)),
        "leading bytes of no frame": int(np.count_nonzero(claimed & ~begun)),
        "too short": int(np.count_nonzero(begun & (owner < 0))),
    }
    return owner, {reason: count for reason, count in counts.items() if count}
