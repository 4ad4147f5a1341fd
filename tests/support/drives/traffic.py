"""The traffic of an invented drive: frames as a bus gives them, with the truth about them."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.support.drives.checksums import checksum_bytes
from tests.support.drives.motion import GRID_HZ, Motion, motion_of, neighbour_motion
from tests.support.drives.numbers import FieldPlan, raw_bits
from tests.support.drives.physics import (
    TEMPERATURES,
    joint_courses,
    plan_joint,
    seconds_to_warm,
)
from tests.support.drives.places import put_bits
from tests.support.drives.plan import DrivePlan, KindPlan, plan_drive
from tests.support.drives.truth import (
    ChecksumTruth,
    CounterTruth,
    DriveSet,
    DriveTraffic,
    FieldTruth,
    Floats,
    Ints,
    KindTruth,
    Marks,
    Meaning,
    NeighbourTruth,
    Truth,
)

__all__ = ["drive_traffic", "invent_drive"]

MOST_WARM_S = 240.0
LEAST_WARM_S = 30.0


@dataclass(frozen=True, kw_only=True)
class _Sender:
    """One kind of frame of one joint, and when it was sent."""

    plan: KindPlan
    courses: "_Courses"
    joint: int
    """0 is the drive; neighbours follow."""
    sampled_s: Floats
    sent_s: Floats


class _Courses:
    """Courses on the grid, with what a drive makes of them."""

    def __init__(self, motion: Motion, courses: dict[str, Floats], seed: int) -> None:
        dice = np.random.default_rng([seed, 77])
        speed = np.gradient(motion.setpoint_rad, 1 / GRID_HZ)
        moving = np.abs(courses["speed"]) > 0.03
        flags = np.stack(
            [
                motion.is_driven > 0,
                moving,
                moving & (courses["speed"] > 0),
                np.ones(len(moving), bool),
                np.zeros(len(moving), bool),
                courses["winding"] > courses["winding"][0] + 4.0,
                np.abs(motion.setpoint_rad - motion.angle_rad) < 0.02,
                motion.is_driven > 0,
            ]
        )[dice.permutation(8)]
        self.motion = motion
        self.by_name = {
            **courses,
            "position set-point": motion.setpoint_rad,
            "speed set-point": speed,
            "torque set-point": courses["torque"],
            "flags": (flags * (1 << np.arange(8))[:, None]).sum(axis=0).astype(float),
        }
        self.uptime_s = float(dice.uniform(3, 3000))
        self.latency_s = float(dice.uniform(0, 2e-3))

    def at(self, field: FieldPlan, time_s: Floats, dice: np.random.Generator) -> Floats:
        """Return what a field means to tell at some times."""
        if field.constant is not None:
            return np.full(len(time_s), float(field.constant))
        if field.source == "uptime":
            return time_s + self.uptime_s
        course = self.by_name[field.source]
        grid = (time_s - self.latency_s) * GRID_HZ
        if field.meaning is Meaning.FLAGS:
            nearest = np.clip(np.rint(grid).astype(np.int64), 0, len(course) - 1)
            return (course[nearest].astype(np.int64) & ((1 << field.bits) - 1)).astype(float)
        if field.lag_s > 0:
            keep = np.exp(-1 / (field.lag_s * GRID_HZ))
            course = lfilter([1 - keep], [1, -keep], course - course[0]) + course[0]
        told = np.interp(grid, np.arange(len(course)), course)
        if field.noise > 0:
            told += field.noise * dice.standard_normal(len(told))
        return told


def invent_drive(seed: int, drive_set: DriveSet = DriveSet.MAIN) -> DriveTraffic:
    """Return the traffic of the drive of a seed over the four steps."""
    return drive_traffic(plan_drive(seed, drive_set))


def drive_traffic(plan: DrivePlan) -> DriveTraffic:
    """Return the traffic of a planned drive over the four steps."""
    dice = np.random.default_rng([*plan.seed, 1])
    seed = plan.motion.seed
    motion = motion_of(plan.motion, warm_s=MOST_WARM_S)
    courses = joint_courses(plan.joint, motion, seed=seed)
    told = tuple(
        field.source for kind in plan.kinds for field in kind.fields if field.source in TEMPERATURES
    )
    warm_s = seconds_to_warm(courses, told, motion.steps.warm[0]) + dice.uniform(2, 10)
    motion = motion_of(plan.motion, warm_s=float(np.clip(warm_s, LEAST_WARM_S, MOST_WARM_S)))
    courses = joint_courses(plan.joint, motion, seed=seed)
    joints = [_Courses(motion, courses, seed)]
    for how in plan.neighbour_motions:
        other = neighbour_motion(dice, motion, how)
        own = replace(
            plan_joint(dice), gear=plan.joint.gear, ambient_degC=plan.joint.ambient_degC,
            supply_V=plan.joint.supply_V, mass_kg=plan.joint.mass_kg * 0.5,
            arm_m=plan.joint.arm_m,
        )  # fmt: skip
        its_seed = int(dice.integers(2**31))
        its_courses = joint_courses(own, other, seed=its_seed, is_warm=True)
        joints.append(_Courses(other, its_courses, its_seed))
    senders = list(_senders(plan, joints, dice))
    sent = np.concatenate([sender.sent_s for sender in senders])
    order = np.argsort(sent, kind="stable")
    # A bus carries one frame after the other.
    line = plan.frame_s * np.arange(len(order))
    on_bus = np.maximum.accumulate(sent[order] - line) + line
    is_kept = dice.random(len(order)) >= plan.lost_share
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    row_of = np.cumsum(is_kept) - 1
    count = int(is_kept.sum())
    data = np.zeros((count, 64), np.uint8)
    identifier, length = np.empty(count, np.int64), np.empty(count, np.int64)
    steps = _counter_steps(plan, senders)
    kinds, first = [], 0
    for sender, step in zip(senders, steps, strict=True):
        its_rank = rank[first : first + len(sender.sent_s)]
        first += len(sender.sent_s)
        kept = is_kept[its_rank]
        rows = row_of[its_rank[kept]]
        own_id = sender.plan.identifier + sender.joint * plan.node_step
        payload, fields = _payloads(
            sender, step[kept], kept, dice, identifier=own_id, extended=plan.is_extended
        )
        data[rows, : sender.plan.length] = payload
        identifier[rows], length[rows] = own_id, sender.plan.length
        if sender.joint == 0:
            kinds.append(_kind_truth(plan, sender.plan, fields, rows))
    return DriveTraffic(
        time_s=np.round(on_bus[is_kept], 6),
        identifier=identifier,
        extended=np.full(count, plan.is_extended),
        data=data,
        length=length,
        marks=_pressed(motion.steps, plan.mark_errors_s, motion.time_s[-1]),
        typed=plan.typed,
        truth=Truth(
            kinds=tuple(kinds),
            neighbours=tuple(
                NeighbourTruth(
                    identifiers=tuple(
                        sorted({kind.identifier + at * plan.node_step for kind in plan.kinds})
                    ),
                    motion=how,
                )
                for at, how in enumerate(plan.neighbour_motions, start=1)
            ),
            steps=motion.steps,
            gear=plan.joint.gear,
            turn_rad=plan.motion.turn_rad,
            ambient_degC=plan.joint.ambient_degC,
            supply_V=plan.joint.supply_V,
            mass_kg=plan.joint.mass_kg,
            is_by_hand=plan.motion.is_by_hand,
            lost_share=plan.lost_share,
            grid_s=motion.time_s,
            courses=courses,
        ),
    )


def _senders(
    plan: DrivePlan, joints: list[_Courses], dice: np.random.Generator
) -> Iterator[_Sender]:
    for joint, courses in enumerate(joints):
        end_s = float(courses.motion.time_s[-1])
        drift = plan.clock_drift * (1 if joint == 0 else float(dice.uniform(-1, 1)))
        senders = []
        for kind in plan.kinds:
            period = (1 + drift) / kind.rate
            phase = kind.phase if joint == 0 else float(dice.random())
            time = (np.arange(int(end_s / period) - 1) + phase + 0.5) * period
            late = np.clip(kind.jitter * dice.standard_normal(len(time)), -0.4, 0.4) * period
            senders.append(
                _Sender(plan=kind, courses=courses, joint=joint, sampled_s=time, sent_s=time + late)
            )
        if plan.is_answering:
            # The first kind comes when it is asked for, and tells what is then.
            asked = senders[-1].sent_s
            sent = asked + 2 * plan.frame_s + 3e-4 * dice.random(len(asked))
            senders[0] = replace(senders[0], sampled_s=sent, sent_s=sent)
        yield from senders


def _counter_steps(plan: DrivePlan, senders: list[_Sender]) -> list[Ints]:
    """Return, for each sender, what its counter has counted at each of its frames."""
    if not plan.counter_per_identifier:
        return [np.arange(len(sender.sent_s)) for sender in senders]
    steps: list[Ints] = [np.empty(0, np.int64)] * len(senders)
    groups: dict[tuple[int, int], list[int]] = {}
    for at, sender in enumerate(senders):
        groups.setdefault((sender.joint, sender.plan.identifier), []).append(at)
    for members in groups.values():
        order = np.argsort(np.concatenate([senders[at].sent_s for at in members]), kind="stable")
        rank = np.empty(len(order), np.int64)
        rank[order] = np.arange(len(order))
        ends = np.cumsum([len(senders[at].sent_s) for at in members])[:-1]
        for at, part in zip(members, np.split(rank, ends), strict=True):
            steps[at] = part
    return steps


def _payloads(
    sender: _Sender,
    step: Ints,
    kept: NDArray[np.bool_],
    dice: np.random.Generator,
    *,
    identifier: int,
    extended: bool,
) -> tuple[NDArray[np.uint8], list[FieldTruth]]:
    kind = sender.plan
    data = np.zeros((len(step), kind.length), np.uint8)
    for place in kind.unused_places:
        put_bits(data, (place,), 1)
    put_bits(data, kind.selector_places, kind.selector_value)
    if kind.counter_places:
        size = np.uint64((1 << len(kind.counter_places)) - 1)
        put_bits(data, kind.counter_places, step.astype(np.uint64) & size)
    truths = []
    time_s = sender.sampled_s[kept]
    for field in kind.fields:
        raw, told = raw_bits(field, sender.courses.at(field, time_s, dice))
        put_bits(data, field.places, raw)
        if sender.joint == 0:
            changed = int(np.bitwise_or.reduce(raw ^ raw[0]))
            truths.append(_field_truth(field, told, sender, changed=changed))
    if kind.checksum is not None:
        first_bytes = kind.checksum.identifier_bytes(identifier, extended=extended)
        data[:, kind.checksum.byte] = checksum_bytes(kind.checksum, data, first_bytes)
    return data, truths


def _field_truth(field: FieldPlan, course: Floats, sender: _Sender, *, changed: int) -> FieldTruth:
    per_wrap = None
    if field.wrap_counts is not None and field.meaning is Meaning.POSITION:
        fastest = float(np.abs(sender.courses.by_name["speed"]).max())
        per_wrap = field.wrap_counts * abs(field.scale) / fastest * sender.plan.rate
    return FieldTruth(
        name=field.name,
        meaning=field.meaning,
        places=field.places,
        order=field.order,
        is_split=field.is_split,
        sign_form=field.sign_form,
        scale=field.scale,
        offset=field.offset,
        ampere_scale=field.ampere_scale,
        side=field.side,
        wrap_counts=field.wrap_counts,
        least_frames_per_wrap=per_wrap,
        is_setpoint=field.is_setpoint,
        moving_places=tuple(place for at, place in enumerate(field.places) if changed >> at & 1),
        course=course,
    )


def _kind_truth(plan: DrivePlan, kind: KindPlan, fields: list[FieldTruth], rows: Ints) -> KindTruth:
    check = kind.checksum
    return KindTruth(
        identifier=kind.identifier,
        is_extended=plan.is_extended,
        is_request=kind.is_request,
        selector_places=kind.selector_places,
        selector_value=kind.selector_value,
        length=kind.length,
        rate=kind.rate,
        fields=tuple(fields),
        counter=CounterTruth(places=kind.counter_places, per_identifier=plan.counter_per_identifier)
        if kind.counter_places
        else None,
        checksum=ChecksumTruth(
            family=check.family,
            byte=check.byte,
            covered=check.covered,
            identifier_bytes=check.identifier_bytes(kind.identifier, extended=plan.is_extended),
            polynomial=check.polynomial,
            start=check.start,
            final_xor=check.final_xor,
            is_reflected=check.is_reflected,
        )
        if check is not None
        else None,
        rows=rows,
    )


def _pressed(steps: Marks, errors_s: tuple[float, ...], end_s: float) -> Marks:
    """Return the steps as the person marked them."""
    spans = np.array([steps.rest, steps.turn, steps.load, steps.warm])
    spans = np.clip(spans + np.reshape(errors_s, (4, 2)), 0.0, end_s)
    rest, turn, load, warm = (tuple(span) for span in spans.tolist())
    return Marks(rest=rest, turn=turn, load=load, warm=warm)
