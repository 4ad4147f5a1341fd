"""An invented drive before it has sent anything: everything is decided here, from a seed."""

from dataclasses import dataclass

import numpy as np

from tests.support.drives.checksums import ChecksumPlan, plan_checksum
from tests.support.drives.motion import MotionPlan, plan_motion
from tests.support.drives.numbers import FieldPlan
from tests.support.drives.physics import JointPlan, plan_joint
from tests.support.drives.places import Payload
from tests.support.drives.quantities import (
    lone_field,
    main_fields,
    minor_fields,
    setpoint_fields,
    temperature_fields,
)
from tests.support.drives.truth import DriveSet, SignForm, Typed

__all__ = ["DrivePlan", "KindPlan", "plan_drive"]

RATES_HZ = (50, 100, 100, 125, 200, 250, 333, 500, 1000)
SLOW_RATES_HZ = (2, 5, 10, 10, 20, 50, 100)
MOST_FRAMES_S = 2400
"""Frames a second of all joints together."""


@dataclass(frozen=True, kw_only=True)
class KindPlan:
    """One kind of frame; see `KindTruth` for what it shares with that."""

    identifier: int
    is_request: bool
    selector_places: tuple[int, ...]
    selector_value: int
    length: int
    rate: float
    """Frames a second."""
    jitter: float
    """Standard deviation of its time, as a share of its period."""
    phase: float
    fields: tuple[FieldPlan, ...]
    counter_places: tuple[int, ...]
    checksum: ChecksumPlan | None
    unused_places: tuple[int, ...]
    """Places that are always 1."""


@dataclass(frozen=True, kw_only=True)
class DrivePlan:
    """A drive, its joint, what is done with it, and what else is on its bus."""

    seed: tuple[int, int]
    joint: JointPlan
    motion: MotionPlan
    kinds: tuple[KindPlan, ...]
    is_extended: bool
    counter_per_identifier: bool
    is_answering: bool
    """The first kind of frame answers the request; else all come by themselves."""
    neighbour_motions: tuple[str, ...]
    node_step: int
    """From the identifier of one joint to that of the next."""
    lost_share: float
    clock_drift: float
    frame_s: float
    """Time that a frame takes on the bus."""
    mark_errors_s: tuple[float, ...]
    typed: Typed


class _NoRoom(Exception):
    """The fields do not fit into the frames."""


@dataclass(frozen=True, kw_only=True)
class _Shape:
    """The frames of a drive without their fields."""

    identifiers: tuple[int, ...]
    """Of each kind of status frame."""
    request: int | None
    lengths: tuple[int, ...]
    rates: tuple[float, ...]
    """Frames a second."""


def plan_drive(seed: int, drive_set: DriveSet = DriveSet.MAIN) -> DrivePlan:
    """Return the drive of a seed."""
    key = (seed, list(DriveSet).index(drive_set))
    dice = np.random.default_rng(key)
    is_hard = drive_set is DriveSet.HARD
    turn_error = _error(dice, 0.003)
    if drive_set is DriveSet.WRONG_TURN:
        turn_error += 0.04 * dice.choice([-1, 1])
    motion = plan_motion(dice, turn_error=turn_error)
    joint = plan_joint(dice)
    is_extended = bool(dice.random() < 0.3)
    kind_step, node_step = [(0x80, 1), (1, 0x10), (0x40, 1), (0x10, 1)][dice.integers(4)]
    base = int(dice.integers(0x101, 0x380))
    if is_extended:
        base += int(dice.integers(1, 0x1FFF)) << 16
        kind_step <<= int(dice.choice([0, 8]))
    odd = 0.7 if is_hard else 0.35
    neighbours = _neighbours(dice, is_hard=is_hard)
    checks = _plan_checks(dice)
    for attempt in range(100):
        try:
            shape = _plan_shape(dice, base, kind_step, joints=1 + len(neighbours), tried=attempt)
            kinds = _plan_kinds(dice, shape, checks, joint, motion, odd=odd)
            break
        except _NoRoom:
            continue
    else:
        raise AssertionError(f"seed {seed}: no layout had room for the four main values")
    bound = 2.0 if is_hard else 0.4
    return DrivePlan(
        seed=key,
        joint=joint,
        motion=motion,
        kinds=kinds,
        is_extended=is_extended,
        counter_per_identifier=bool(dice.random() < 0.5),
        is_answering=kinds[-1].is_request and bool(dice.random() < 0.5),
        neighbour_motions=neighbours,
        node_step=node_step,
        lost_share=float(dice.choice([0, 0.001, 0.01], p=[0.2, 0.3, 0.5] if is_hard else None)),
        clock_drift=float(dice.normal(0, 2e-4)),
        frame_s=float(dice.choice([1.3e-4, 2.6e-4])),
        mark_errors_s=tuple(dice.uniform(-bound, bound, 8).tolist()),
        typed=Typed(
            ambient_degC=round(joint.ambient_degC + _error(dice, 0.8), 1),
            supply_V=float(round(joint.supply_V)),
            mass_kg=float(round(joint.mass_kg * (1 + _error(dice, 0.007)), 4)),
            arm_m=float(round(joint.arm_m, 4)),
            positive=motion.positive,
        ),
    )


def _error(dice: np.random.Generator, size: float) -> float:
    """Return an error of that standard deviation, of twice as much at most."""
    return float(size * np.clip(dice.normal(), -2, 2))


def _neighbours(dice: np.random.Generator, *, is_hard: bool) -> tuple[str, ...]:
    if dice.random() < (0.35 if is_hard else 0.12):
        return ("unannounced",)
    count = int(dice.choice(4, p=[0.45, 0.25, 0.15, 0.15]))
    return tuple(str(dice.choice(["still", "between"])) for _ in range(count))


def _plan_shape(
    dice: np.random.Generator, base: int, kind_step: int, *, joints: int, tried: int
) -> _Shape:
    kinds = 1 + int(dice.choice(4, p=[0.22, 0.3, 0.26, 0.22]))
    identifiers = int(dice.integers(1, min(kinds, 3) + 1))
    # Every identifier has a kind, the others where they fall.
    own = [*range(identifiers), *dice.integers(0, identifiers, kinds - identifiers).tolist()]
    is_fd = dice.random() < 0.025
    usual = int(dice.choice([12, 16, 24, 32])) if is_fd else 8
    length_of = [
        usual if is_fd or tried > 20 or dice.random() < 0.75 else int(dice.integers(5, 8))
        for _ in range(identifiers)
    ]
    rates = [float(dice.choice(RATES_HZ))]
    for number in range(1, kinds):
        slow = dice.random() < (0.75 if number == kinds - 1 else 0.3)
        rates.append(min(float(dice.choice(SLOW_RATES_HZ if slow else RATES_HZ)), rates[0]))
    request = None
    if dice.random() < 0.5:
        request = base + identifiers * kind_step
    most = MOST_FRAMES_S / joints - (rates[0] if request else 0)
    while sum(rates) > max(most, 120):
        highest = int(np.argmax(rates))
        rates[highest] = max(rates[highest] / 2, 2.0)
    rates[0] = max([50.0, *rates])
    return _Shape(
        identifiers=tuple(base + at * kind_step for at in own),
        request=request,
        lengths=tuple(length_of[at] for at in own),
        rates=tuple(rates),
    )


@dataclass(frozen=True, kw_only=True)
class _Checks:
    """By which a receiver of a drive's frames notices losses and damage."""

    counter_bits: int
    """0: no counter."""
    checksum: ChecksumPlan | None
    is_last: bool
    """The checksum is the last byte that is free."""


class _KindRoom:
    """A kind of frame while it is filled."""

    def __init__(self, identifier: int, length: int, rate: float, *, is_request: bool) -> None:
        self.identifier, self.rate, self.is_request = identifier, rate, is_request
        self.payload = Payload(length)
        self.selector: tuple[int, ...] = ()
        self.selector_value = 0
        self.counter: tuple[int, ...] = ()
        self.checksum: ChecksumPlan | None = None
        self.fields: list[FieldPlan] = []

    def place(self, dice: np.random.Generator, field: FieldPlan, habits: "_Habits") -> bool:
        """Place a field; return whether there was room."""
        order = habits.order
        if dice.random() < habits.mixed:
            order = "big" if order == "little" else "little"
        can_split = field.bits > 8 and field.sign_form is not SignForm.FLOAT32
        if can_split and dice.random() < habits.split:
            places = self.payload.find_split(dice, field.bits, order)
            if places is not None:
                self.fields.append(field.placed(places, order, is_split=True))
                return True
        places = self.payload.find(dice, field.bits, order, loose=habits.loose)
        if places is not None:
            self.fields.append(field.placed(places, order, is_split=False))
        return places is not None


@dataclass(frozen=True, kw_only=True)
class _Habits:
    """How a maker lays out frames."""

    order: str
    mixed: float
    split: float
    loose: float


def _plan_kinds(
    dice: np.random.Generator,
    shape: _Shape,
    checks: _Checks,
    joint: JointPlan,
    motion: MotionPlan,
    *,
    odd: float,
) -> tuple[KindPlan, ...]:
    rooms = [
        _KindRoom(identifier, length, rate, is_request=False)
        for identifier, length, rate in zip(
            shape.identifiers, shape.lengths, shape.rates, strict=True
        )
    ]
    _choose_selectors(dice, rooms)
    if shape.request is not None:
        rooms.append(_KindRoom(shape.request, 8, rooms[0].rate, is_request=True))
    _place_checks(dice, rooms, checks)
    habits = _Habits(
        order=str(dice.choice(["little", "big"])),
        mixed=0.4 if dice.random() < 0.4 * odd else 0.0,
        split=0.5 if dice.random() < 0.5 * odd else 0.0,
        loose=0.5 if dice.random() < 0.5 * odd else 0.03,
    )
    # Now and then a hard drive's encoder cannot be followed from frame to frame.
    frames_per_turn = 0.7 if odd > 0.5 and dice.random() < 0.15 else 3.0
    main = main_fields(
        dice, joint, motion, odd=odd, rate=rooms[0].rate, frames_per_turn=frames_per_turn
    )
    highest = joint.ambient_degC + joint.self_heat + joint.winding_rise + 75
    count = 1 + int(dice.choice(5, p=[0.3, 0.3, 0.2, 0.1, 0.1]))
    temperatures = temperature_fields(dice, count, odd=odd, highest=highest)
    status = [room for room in rooms if not room.is_request]
    if not status[0].place(dice, main[0], habits):
        raise _NoRoom
    for field in sorted(main[1:], key=lambda field: -field.bits):
        quick = sorted(status, key=lambda room: (room.rate < 50, dice.random()))
        if not any(room.place(dice, field, habits) for room in quick if room.rate >= 20):
            raise _NoRoom
    slow = sorted(status, key=lambda room: room.rate)
    for number, field in enumerate(temperatures):
        if not any(room.place(dice, field, habits) for room in slow) and number == 0:
            raise _NoRoom
    minor = minor_fields(dice, joint, odd=odd)
    if shape.request is not None:
        for field in setpoint_fields(dice, main, int(dice.integers(1, 4))):
            rooms[-1].place(dice, field, habits)
    if dice.random() < 0.2:
        minor.insert(1, setpoint_fields(dice, main, 1)[0])
    for field in minor:
        by_chance = [status[at] for at in dice.permutation(len(status))]
        any(room.place(dice, field, habits) for room in by_chance)
    for room in status:
        if not room.fields:
            room.place(dice, lone_field(dice), habits)
    ones = dice.random() < 0.15
    jitter = float(10 ** dice.uniform(-3, -1.2))
    return tuple(
        KindPlan(
            identifier=room.identifier,
            is_request=room.is_request,
            selector_places=room.selector,
            selector_value=room.selector_value,
            length=room.payload.length,
            rate=room.rate,
            jitter=jitter * float(dice.uniform(0.5, 1.5)),
            phase=float(dice.random()),
            fields=tuple(room.fields),
            counter_places=room.counter,
            checksum=room.checksum,
            unused_places=tuple(np.nonzero(~room.payload.taken)[0].tolist()) if ones else (),
        )
        for room in rooms
    )


def _choose_selectors(dice: np.random.Generator, rooms: list[_KindRoom]) -> None:
    """Give kinds that share an identifier a multiplexer, at the same place in all of them."""
    for identifier in dict.fromkeys(room.identifier for room in rooms):
        sharing = [room for room in rooms if room.identifier == identifier]
        if len(sharing) == 1:
            continue
        byte = 0 if dice.random() < 0.5 else int(dice.integers(sharing[0].payload.length))
        bits, first = (8, 0) if dice.random() < 0.6 else (4, int(dice.choice([0, 4])))
        places = tuple(range(byte * 8 + first, byte * 8 + first + bits))
        values = dice.choice(1 << bits, len(sharing), replace=False)
        if dice.random() < 0.5:
            values = np.arange(len(sharing)) + int(dice.integers(0, 5))
        for room, value in zip(sharing, values.tolist(), strict=True):
            room.selector, room.selector_value = places, value
            room.payload.take(places)


def _plan_checks(dice: np.random.Generator) -> _Checks:
    return _Checks(
        counter_bits=int(dice.choice([2, 3, 4, 4, 5, 6, 7, 8, 8])) if dice.random() < 0.55 else 0,
        checksum=plan_checksum(dice) if dice.random() < 0.55 else None,
        is_last=bool(dice.random() < 0.7),
    )


def _place_checks(dice: np.random.Generator, rooms: list[_KindRoom], checks: _Checks) -> None:
    """Give kinds their counters and checksums, those of one length at the same place if it goes."""
    byte_of: dict[int, int] = {}
    for room in rooms:
        if checks.checksum is None:
            break
        length, free = room.payload.length, room.payload.free_bytes
        byte = byte_of.get(length, -1)
        if byte not in free:
            byte = free[-1] if checks.is_last else free[int(dice.integers(len(free)))]
        byte_of[length] = byte
        room.checksum = checks.checksum.placed(byte, length)
        room.payload.take(tuple(range(byte * 8, byte * 8 + 8)))
    if not checks.counter_bits:
        return
    for identifier in dict.fromkeys(room.identifier for room in rooms):
        # All kinds of an identifier carry it at one place, so that it can count them together.
        sharing = [room for room in rooms if room.identifier == identifier]
        common = Payload(sharing[0].payload.length)
        for room in sharing:
            common.taken |= room.payload.taken
        places = common.find(dice, checks.counter_bits, "little", loose=0.2, in_byte=True)
        if places is None:
            raise _NoRoom
        for room in sharing:
            room.counter = places
            room.payload.take(places)
