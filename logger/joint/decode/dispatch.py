"""Whose frame is it: identifier, bus and telling fields -> the number of a kind of frame.

Where every kind on an identifier is told by the whole identifier and at most one byte of the
payload, one search and one table answer for all frames at once; what that leaves over, and layouts
with masks or several telling bytes, are asked kind by kind. A frame of nobody is counted under its
reason, never an exception. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import Bench
from logger.joint.bench.frame_match import LONGEST, Claim
from logger.joint.bench.identifiers import STANDARD_MOST, identifier_for

__all__ = ["ASKED", "Asked", "OwnerPlan", "owner_plan", "owners_for", "owners_of", "reasons_of"]

ASKED: Final = -2
"""Owner of a frame that is no joint's but a request that a layout knows."""

_NO_DATA: Final = REMOTE | ERROR | SENT
_BUS_PLACE: Final = np.uint64(32)
_EXTENDED_PLACE: Final = np.uint64(31)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A request that a controller sends a joint."""

    bus: int
    extended: bool
    identifier: int
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnerPlan:
    """All claims of a bench, and the tables that answer for most frames."""

    claims: tuple[Claim, ...]
    asked: tuple[Asked, ...]
    keys: NDArray[np.uint64]
    """The identifiers that are claimed whole, sorted; a bus and the 29-bit flag above them."""
    by_byte: NDArray[np.int32]
    """Shape (keys + 1, 256): number of the claim for the byte that tells, -1 for none."""
    telling: NDArray[np.intp] | None
    """Shape (keys + 1,): which byte that is; None: the first for all."""
    needs: NDArray[np.uint8]
    """Bytes that a frame of each claim must have."""
    standard: NDArray[np.int32]
    """Shape (2048,): row of `by_byte` for an 11-bit identifier of the first bus; for one that is
    not claimed the last row, which is nobody's."""

    @property
    def number_of(self) -> dict[Claim, int]:
        """Claim -> the owner of a frame that fits it: of claims that are the same, the first."""
        return {claim: number for number, claim in reversed(list(enumerate(self.claims)))}


def owners_for(bench: Bench) -> OwnerPlan:
    """Return the plan for a bench: its joints' frames in order, and the requests that it knows."""
    return owner_plan(
        [claim for joint in bench.joints for claim in bench.claims_of(joint)],
        [
            Asked(
                bus=bench.bus_of(joint),
                extended=request.extended,
                identifier=identifier_for(
                    request.identifier, joint.node, extended=request.extended, where=joint.name
                ),
                data=bytes.fromhex(request.data),
            )
            for joint in bench.joints
            for request in bench.layout_of(joint).request
        ],
    )


def owner_plan(claims: Sequence[Claim], asked: Sequence[Asked] = ()) -> OwnerPlan:
    """Return the plan for claims, which are numbered in their order.

    Of claims that are the same (shared frames) the first is the owner.
    """
    groups: dict[int, list[int]] = {}
    for number, claim in enumerate(claims):
        if claim.whole:
            groups.setdefault(_key(claim), []).append(number)
    keys = sorted(key for key, group in groups.items() if _by_one_byte(claims, group))
    by_byte = np.full((len(keys) + 1, 256), -1, np.int32)
    telling = np.zeros(len(keys) + 1, np.intp)
    every = np.arange(256)
    for row, key in enumerate(keys):
        for number in reversed(groups[key]):
            claim = claims[number]
            place = claim.told_by[0] if claim.told_by else 0
            if claim.told_by:
                telling[row] = place
                fits = (every & claim.bits[place]) == claim.content[place]
                by_byte[row, fits] = number
            else:
                by_byte[row] = number
    standard = np.full(STANDARD_MOST + 1, len(keys), np.int32)
    for row, key in enumerate(keys):
        if key <= STANDARD_MOST:
            standard[key] = row
    return OwnerPlan(
        claims=tuple(claims),
        asked=tuple(asked),
        keys=np.array(keys, np.uint64),
        by_byte=by_byte,
        telling=telling if telling.any() else None,
        needs=np.array([claim.length for claim in claims], np.uint8),
        standard=standard,
    )


def _by_one_byte(claims: Sequence[Claim], group: Sequence[int]) -> bool:
    places = {claims[number].told_by for number in group} - {()}
    return (
        len(places) <= 1
        and all(len(place) == 1 for place in places)
        and all(claims[number].longest == LONGEST for number in group)
    )


def _key(claim: Claim) -> int:
    return claim.bus << int(_BUS_PLACE) | claim.extended << int(_EXTENDED_PLACE) | claim.identifier


def owners_of(plan: OwnerPlan, frames: FrameBatch) -> tuple[NDArray[np.int32], dict[str, int]]:
    """Return the number of the claim that each frame fits, -1 for none, and why not.

    Returns
    -------
    owner, rejected
        int32, shape (n,); and for each reason in words how many frames. What this program sent is
        nobody's, and no reject; a request that a layout knows is `ASKED`, and none either.
    """
    owner = _directly(plan, frames)
    left = (owner < 0).nonzero()[0]
    if len(left) == 0:
        return owner, {}
    owner[left], reasons = _one_by_one(plan, frames.taken(left))
    counts = {reason: int(np.count_nonzero(rows)) for reason, rows in reasons.items()}
    return owner, {reason: count for reason, count in counts.items() if count}


def reasons_of(plan: OwnerPlan, frames: FrameBatch) -> dict[str, NDArray[np.bool_]]:
    """Return for each reason in words the frames, shape (n,), that are nobody's for it."""
    return _one_by_one(plan, frames)[1]


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
    width = frames.data.shape[1]
    if plan.telling is None:
        byte = frames.data[:, 0]
    else:
        # A place beyond what the batch holds is one that no frame of it reaches: too short below.
        place = np.minimum(plan.telling[row], width - 1)
        byte = frames.data[np.arange(len(frames)), place]
    owner: NDArray[np.int32] = plan.by_byte[row, byte]
    # Whatever a frame calls its length, it has no more bytes than the batch holds.
    fits = np.minimum(frames.length, width) >= plan.needs[owner]
    if plain:
        # A frame that is not extended and has such a number is none that an adapter can give.
        fits &= frames.identifier <= STANDARD_MOST
    else:
        fits &= (frames.flags & _NO_DATA) == 0
    if not fits.all():
        owner[~fits] = -1
    return owner


def _one_by_one(
    plan: OwnerPlan, frames: FrameBatch
) -> tuple[NDArray[np.int32], dict[str, NDArray[np.bool_]]]:
    owner = np.full(len(frames), -1, np.int32)
    data_frame = (frames.flags & _NO_DATA) == 0
    extended = (frames.flags & EXTENDED) != 0
    width = frames.data.shape[1]
    length = np.minimum(frames.length, width)
    claimed = np.zeros(len(frames), bool)
    begun = np.zeros(len(frames), bool)
    long_enough = np.zeros(len(frames), bool)
    for number, claim in reversed(list(enumerate(plan.claims))):
        fits = data_frame & ((frames.identifier & claim.mask) == claim.identifier)
        fits &= (extended == claim.extended) & (frames.bus == claim.bus)
        claimed |= fits
        if not fits.any():
            continue
        for place in claim.told_by:
            fits &= length > place
            if place < width and fits.any():
                fits &= (frames.data[:, place] & claim.bits[place]) == claim.content[place]
        begun |= fits
        fits &= length >= claim.length
        long_enough |= fits
        fits &= length <= claim.longest
        owner[fits] = number
    for asked in plan.asked:
        if len(asked.data) > width:
            continue
        fits = (owner < 0) & data_frame & (frames.identifier == asked.identifier)
        fits &= (extended == asked.extended) & (frames.bus == asked.bus)
        fits &= length == len(asked.data)
        for place, content in enumerate(asked.data):
            fits &= frames.data[:, place] == content
        owner[fits] = ASKED
    nobody = owner == -1
    return owner, {
        # An adapter may mark a frame as several; it is counted once.
        "remote frame": (frames.flags & _NO_DATA) == REMOTE,
        "error frame": (frames.flags & (ERROR | SENT)) == ERROR,
        "identifier of no joint": data_frame & nobody & ~claimed,
        "leading bytes of no frame": nobody & claimed & ~begun,
        "too short": nobody & begun & ~long_enough,
        "too long": nobody & long_enough,
    }
