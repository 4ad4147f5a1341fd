"""How right a proposed layout is of an invented drive: value by value, claim by claim.

A place is right where the proposed field takes all bits of the true one that ever changed, in the
true order, and no other bit that changed. A scale is right within the tolerances below. Bits that
never changed and the zero of a position cannot be known, and are not asked for.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.layout_finder.bits import unwrap_field
from logger.layout_finder.checksum import ChecksumFamily
from logger.layout_finder.find_layout import propose_layout
from logger.layout_finder.number_form import read_number
from logger.layout_finder.proposal import Meaning as Claim
from logger.layout_finder.proposal import Proposal, ProposedKind, ProposedValue, Undecided
from logger.layout_finder.traffic import Marks, Traffic, TypedNumbers
from tests.support.drives.impossible import impossible_things
from tests.support.drives.matching import (
    best_value,
    changed_places,
    claim_for,
    kind_for,
    places_of,
)
from tests.support.drives.truth import DriveTraffic, FieldTruth, Floats, KindTruth, Meaning

__all__ = ["ClaimOutcome", "DriveOutcome", "FieldOutcome", "judge_proposal", "propose_for"]

MOTION_TOLERANCE = 0.015
LOAD_TOLERANCE = 0.03
FOLLOWS = 0.98
"""Correlation of what is decoded with what was meant: below, the sign or its form is wrong."""
_MOVED = {
    *(Claim.POSITION, Claim.COMMANDED_POSITION, Claim.SPEED, Claim.COMMANDED_SPEED),
    *(Claim.LOAD, Claim.COMMANDED_LOAD),
}


@dataclass(frozen=True, kw_only=True)
class FieldOutcome:
    """What became of one true field whose bits changed."""

    name: str
    meaning: str
    is_setpoint: bool
    is_split: bool
    form: str
    frames_per_wrap: float | None
    place: bool
    order: bool
    meant: bool
    sign: bool
    scale: bool
    scale_listed: bool
    scale_error: float
    claimed: str


@dataclass(frozen=True, kw_only=True)
class ClaimOutcome:
    """One probability and whether what it stands for is so."""

    what: str
    """"place", "meaning" or "scale"."""
    claimed: str
    probability: float
    right: bool
    about: str
    """The true field, "neighbour", "checksum" and so on."""


@dataclass(frozen=True, kw_only=True)
class DriveOutcome:
    """All of one drive."""

    fields: tuple[FieldOutcome, ...]
    claims: tuple[ClaimOutcome, ...]
    kinds_right: tuple[bool, ...]
    """Of each true kind, requests included."""
    counters: tuple[bool, ...]
    checksums: tuple[bool, ...]
    invented_checks: int
    """Counters and checksums that are none."""
    turn_doubted: bool
    undecided: tuple[str, ...]
    told: tuple[bool, ...]
    """Of each thing that these steps cannot tell: whether the proposal lists it."""
    untold: tuple[str, ...]
    """Those that it does not."""


def propose_for(drive: DriveTraffic) -> Proposal:
    """Return what the finder proposes for the traffic of a drive."""
    marks, typed = drive.marks, drive.typed
    return propose_layout(
        Traffic(drive.time_s, drive.identifier, drive.extended, (drive.data, drive.length)),
        Marks(marks.rest, marks.turn, marks.load, marks.warm),
        TypedNumbers(
            typed.ambient_degC, typed.supply_V, typed.mass_kg, typed.arm_m, typed.positive
        ),
    )


def _place_right(value: ProposedValue, field: FieldTruth, changed: set[int]) -> tuple[bool, bool]:
    """Return whether bits and order are right."""
    moving = [place for place in places_of(value.field) if place in changed]
    if field.meaning is Meaning.FLAGS:
        return set(moving) <= set(field.places), True
    true = [place for place in field.places if place in changed]
    return set(moving) == set(true), moving == true


def _decoded(value: ProposedValue, payload: np.ndarray) -> Floats:
    number = read_number(payload, value.assumed_field, value.form)
    if value.modulus is not None:
        number = unwrap_field(number.astype(np.int64) % value.modulus, value.modulus)
    return np.asarray(number * (value.scale or 1.0) + value.offset)


def _course_error(told: Floats, course: Floats) -> tuple[bool, float]:
    """Return whether what is decoded follows what was meant, and the error of its slope."""
    if np.ptp(course) == 0 or np.ptp(told) == 0:
        return False, np.inf
    correlation = float(np.corrcoef(told, course)[0, 1])
    slope = float(np.polyfit(course, told, 1)[0])
    return correlation > FOLLOWS, abs(slope - 1.0)


def _scale_right(
    value: ProposedValue, field: FieldTruth, payload: np.ndarray
) -> tuple[bool, bool, float]:
    """Return whether sign and scale are right, and how far off the scale is."""
    if value.scale is None:
        return False, False, np.inf
    told = _decoded(value, payload)
    if value.meaning in _MOVED:
        follows, error = _course_error(told, field.course)
        is_load = value.meaning in {Claim.LOAD, Claim.COMMANDED_LOAD}
        return follows, follows and error < (LOAD_TOLERANCE if is_load else MOTION_TOLERANCE), error
    near = float(np.quantile(np.abs(told - field.course), 0.9))
    bound = 0.6 * abs(field.scale) + (0.5 if value.meaning is Claim.TEMPERATURE else
                                      0.02 * float(np.mean(field.course)))  # fmt: skip
    same = abs(value.scale / field.scale - 1.0)
    return True, near < bound and same < 0.02, same


def _listed(value: ProposedValue, field: FieldTruth) -> bool:
    return any(
        one.scale is not None
        and abs(one.scale / field.scale - 1.0) < 0.01
        and abs(one.offset - field.offset) < 0.6
        for one in value.rivals
    )


def _field_outcome(
    kind: ProposedKind | None, field: FieldTruth, payload: np.ndarray, changed: set[int]
) -> FieldOutcome:
    value = best_value(kind, field)
    place, order = _place_right(value, field, changed) if value else (False, False)
    meant = value is not None and value.meaning is claim_for(field)
    sign, scale, error = False, False, np.inf
    if value is not None and meant and field.meaning is not Meaning.FLAGS:
        sign, scale, error = _scale_right(value, field, payload)
    return FieldOutcome(
        name=field.name,
        meaning=field.meaning.value,
        is_setpoint=field.is_setpoint,
        is_split=field.is_split,
        form=field.sign_form.value,
        frames_per_wrap=field.least_frames_per_wrap,
        place=place,
        order=order,
        meant=meant,
        sign=sign,
        scale=scale,
        scale_listed=scale or (value is not None and meant and _listed(value, field)),
        scale_error=float(error),
        claimed=value.meaning.value if value else "nothing",
    )


def _claims_of(
    value: ProposedValue, kind: KindTruth, payload: np.ndarray, changed: set[int], *, own: bool
) -> Iterator[ClaimOutcome]:
    """Yield what a value claims; `own`: of the drive, else of a neighbour laid out alike."""
    moving = set(places_of(value.field)) & changed
    field = max(kind.fields, key=lambda one: len(moving & set(one.places)), default=None)
    about = "check bits"
    place = meaning = scale = False
    if field is not None and moving & set(field.places):
        about = field.name if own else f"neighbour's {field.name}"
        place = all(_place_right(value, field, changed))
        meaning = value.meaning is claim_for(field)
        if not own and value.meaning in _MOVED:
            meaning = False
        if meaning and value.scale is not None and own:
            scale = all(_scale_right(value, field, payload)[:2])
        elif meaning and value.scale is not None:
            scale = abs(value.scale / field.scale - 1) < 0.02
    probability = value.probability
    sure = {"place": (probability.place, place), "meaning": (probability.meaning, meaning)}
    if value.scale is not None:
        sure["scale"] = (probability.scale, scale)
    for what, (chance, right) in sure.items():
        if what != "place" and value.meaning in {Claim.UNKNOWN, Claim.FLAG}:
            continue
        yield ClaimOutcome(what=what, claimed=value.meaning.value, probability=chance, right=right,
                           about=about)  # fmt: skip


_FAMILY = {
    ChecksumFamily.XOR: "xor",
    ChecksumFamily.SUM: "sum",
    ChecksumFamily.NEGATIVE_SUM: "sum",
    ChecksumFamily.CRC8: "crc8",
    ChecksumFamily.REFLECTED_CRC8: "crc8",
}


def judge_proposal(drive: DriveTraffic, proposal: Proposal) -> DriveOutcome:
    """Return how right a proposal is, by the truth of the drive."""
    fields: list[FieldOutcome] = []
    claims: list[ClaimOutcome] = []
    kinds_right, counters, checksums, invented = [], [], [], 0
    for kind in drive.truth.kinds:
        if len(kind.rows) < 60:
            continue
        payload = drive.data[kind.rows][:, : kind.length]
        changed = changed_places(payload)
        found = kind_for(proposal, kind)
        kinds_right.append(found is not None)
        fields += [
            _field_outcome(found, field, payload, changed)
            for field in kind.fields
            if field.moving_places
        ]
        if kind.counter is not None:
            counters.append(
                found is not None
                and any(places_of(one.field) == kind.counter.places for one in found.counters)
            )
        invented += sum(
            kind.counter is None or not set(places_of(one.field)) <= set(kind.counter.places)
            for one in (found.counters if found else ())
        )
        if kind.checksum is not None:
            checksums.append(
                found is not None
                and found.checksum is not None
                and found.checksum.byte == kind.checksum.byte
                and _FAMILY[found.checksum.family] == kind.checksum.family
            )
        elif found is not None and found.checksum is not None:
            invented += 1
        if found is not None:
            for value in found.values:
                claims += _claims_of(value, kind, payload, changed, own=True)
    claims += _claims_elsewhere(drive, proposal)
    impossible = list(impossible_things(drive, proposal))
    reasons = {one.reason for one in proposal.undecided}
    return DriveOutcome(
        fields=tuple(fields),
        claims=tuple(claims),
        kinds_right=tuple(kinds_right),
        counters=tuple(counters),
        checksums=tuple(checksums),
        invented_checks=invented,
        turn_doubted=Undecided.TURN_CONTRADICTS_LOAD in reasons,
        undecided=tuple(sorted(reason.value for reason in reasons)),
        told=tuple(is_told for _, is_told in impossible),
        untold=tuple(name for name, is_told in impossible if not is_told),
    )


def _claims_elsewhere(drive: DriveTraffic, proposal: Proposal) -> Iterator[ClaimOutcome]:
    """Yield claims about kinds that are not true ones: of neighbours, or wrongly split."""
    matched = {id(kind_for(proposal, kind)) for kind in drive.truth.kinds}
    own = {kind.identifier for kind in drive.truth.kinds}
    for one in proposal.kinds:
        if id(one) in matched:
            continue
        for value in one.values:
            if one.identifier in own:
                yield from (
                    ClaimOutcome(what=what, claimed=value.meaning.value, probability=chance,
                                 right=False, about="wrongly split")
                    for what, chance in (("meaning", value.probability.meaning),)
                    if value.meaning not in {Claim.UNKNOWN, Claim.FLAG}
                )  # fmt: skip
            elif value.meaning in _MOVED:
                yield ClaimOutcome(what="meaning", claimed=value.meaning.value,
                                   probability=value.probability.meaning, right=False,
                                   about="neighbour")  # fmt: skip
