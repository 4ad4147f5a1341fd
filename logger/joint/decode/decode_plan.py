"""The plan of decoding a bench: made once, so that a batch costs a few array operations. Pure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, Floats, to_ns
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.layout import Frame, Layout
from logger.joint.bench.scaling import Scaling, scaling_of
from logger.joint.bench.value import Value
from logger.joint.channels import channel_named, in_channel_order
from logger.joint.decode.bit_fields import Field, FieldTable, field_table
from logger.joint.decode.dispatch import DispatchTable, bench_dispatch_table
from logger.joint.decode.text_codes import TextPlan, text_plan
from logger.joint.decode.turn_memory import FindPlan

__all__ = ["SETPOINT", "DecodePlan", "FramePlan", "JointPlan", "TurnGroup", "decode_plan"]

POSITION: Final = "position_rad"
SPEED: Final = "speed_rad_s"
SETPOINT: Final = "position_setpoint_rad"
CURRENT: Final = "current_A"
TORQUE: Final = "torque_Nm"
_WHOLE_TURN_SHARE: Final = 1e-9
"""A rounded turn is still one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FramePlan:
    """One kind of frame of a joint."""

    frame: Frame
    fields: tuple[Field, ...]
    encoder: int | None
    """Index of the field that is an encoder's count; None: there is none."""
    tell: TextPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPlan:
    """All kinds of frames of one joint, and the conversions of their values."""

    joint: JointSettings
    channels: tuple[str, ...]
    rows: slice | list[int]
    """Rows of the channels in the matrix of readings, which all joints share."""
    frames: tuple[FramePlan, ...]
    first_kind: int
    """Number of the first of its frames among the kinds of the bench."""
    kind_of: NDArray[np.int32]
    """Shape (matches + 2,): index in `frames` by match number, -1 for none; the last two
    entries are for -2 (a request) and -1 (no match)."""
    lowest: Floats
    """Valid range of each channel, shape (channels, 1)."""
    highest: Floats
    counts: int
    """Counts of one turn of the joint's single-turn encoder; 0: it has none."""
    count_kind: int
    """The kind that carries its count; -1: none."""
    count_slot: int
    """The slot that the count is in."""
    position_row: int
    """Row of the matrix of readings, as the two that follow; -1: it has no such channel."""
    speed_row: int
    setpoint_row: int
    position_scaling: Scaling
    """One encoder count at the output, in rad; the offset is that of the joint's zero."""
    zero_count: int | None
    """The count at the joint's zero, where the encoder counts a whole turn of the output: its
    positions are signed about it. None: they begin with the raw count."""
    known_for_ns: int
    """The longest silence after which the turns of the encoder are still taken as known."""
    guided_for_ns: int
    """The longest in which its speed tells them."""
    find: FindPlan | None
    """How lost turns are found again; None: they cannot be."""
    tells: bool
    """Whether any of its frames has text fields."""
    codes: tuple[tuple[str, int, tuple[int, ...]], ...]
    """(channel, row, kinds that carry it) of the codes that are reported where they change."""
    part_kinds: tuple[int, ...]
    """The kinds with text fields that are no channel."""
    speed_apart: bool
    """The speed comes in another frame than the single-turn count."""
    speed_with_count: bool
    """It comes in the frame of the count, and in no other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnGroup:
    """Joints whose encoders count alike, each with its speed beside the count."""

    joints: tuple[int, ...]
    """Indices of the joints."""
    modulus: int
    known_for_ns: int
    """The longest silence in which the speed tells their turns."""
    is_count: NDArray[np.bool_]
    """Shape (kinds,): whether frames of a kind carry the count of one of them."""
    slot: int
    """The slot that the count is in."""
    position_row: int
    """Row of the matrix of readings, as the two that follow."""
    speed_row: int
    setpoint_row: int
    factor: Floats
    """Shape (kinds,): one count at the output, in rad; the offset that is added to it all."""
    offset: Floats
    has_offset: bool
    """Whether any of them has one, or a factor that turns a zero round."""
    finds: bool
    """Whether lost turns of any of them can be found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodePlan:
    """How the frames of a bench are decoded; computed once, when the bench is read."""

    dispatch: DispatchTable
    channels: tuple[str, ...]
    """The channels of all joints: the rows of the matrix of readings."""
    joints: tuple[JointPlan, ...]
    kinds: int
    """How many kinds of frame all joints have together, each joint's in a row."""
    fields: FieldTable
    kinds_of_joints: tuple[slice, ...]
    """Which of them are those of each joint."""
    joint_of: NDArray[np.int16] | None
    """Shape (matches + 2,): index of the joint by match number, the number of joints for none; as
    `JointPlan.kind_of`. None: some frames are of several joints."""
    kind_of: NDArray[np.intp] | None
    """The kind by match number, the number of kinds for none; None as well."""
    with_position: tuple[int, ...]
    """Indices of the joints that report a position."""
    turn_groups: tuple[TurnGroup, ...]
    echoes: Mapping[int, int]
    """Match number of a response that looks like its request -> its longest delay, in ns."""


def decode_plan(bench: Bench, *, with_requests: bool | None = None) -> DecodePlan:
    """Return how the frames of `bench` are decoded.

    `with_requests`: this program sent the requests, so a frame that looks like one is the
    response. None: `send` of each bus of the bench file.
    """
    dispatch = bench_dispatch_table(bench)
    number_of = dispatch.number_by_match
    matches = len(dispatch.frame_matches)
    channels = in_channel_order(
        channel for joint in bench.joints for channel in bench.channels_of(joint)
    )
    kinds_of_joints = []
    frames_of_joints = []
    echo_windows_ns: dict[int, int] = {}
    for joint in bench.joints:
        layout = bench.layout_of(joint)
        kind_of = np.full(matches + 2, -1, np.int32)
        bus = bench.bus_of_joint(joint.name)
        sends = with_requests if with_requests is not None or bus is None else bench.buses[bus].send
        for frame_index, (frame, match) in enumerate(
            zip(layout.frame, bench.frame_matches_of(joint), strict=True)
        ):
            match_number = number_of[match]
            kind_of[match_number] = frame_index
            if frame.echo_within_s is not None and not sends:
                echo_windows_ns[match_number] = to_ns(frame.echo_within_s)
        kinds_of_joints.append(kind_of)
        frames_of_joints.append(
            tuple(_frame_plan(bench, frame, joint, channels) for frame in layout.frame)
        )
    table = field_table(
        [frame.fields for frames in frames_of_joints for frame in frames], channels=len(channels)
    )
    joints: list[JointPlan] = []
    first_kind = 0
    joint_of = np.full(matches + 2, len(bench.joints), np.int16)
    kind_of_match = np.full(matches + 2, table.numbers.shape[1], np.intp)
    joints_of_match = np.zeros(matches + 2, int)
    for index, (joint, frames, kind_of) in enumerate(
        zip(bench.joints, frames_of_joints, kinds_of_joints, strict=True)
    ):
        joints.append(
            _joint_plan(
                bench,
                joint,
                frames,
                kind_of=kind_of,
                all_channels=channels,
                first_kind=first_kind,
                table=table,
            )
        )
        is_mine = kind_of >= 0
        joints_of_match += is_mine
        joint_of[is_mine] = index
        kind_of_match[is_mine] = first_kind + kind_of[is_mine]
        first_kind += len(frames)
    is_shared = bool((joints_of_match > 1).any())
    return DecodePlan(
        dispatch=dispatch,
        channels=channels,
        joints=tuple(joints),
        kinds=first_kind,
        fields=table,
        kinds_of_joints=tuple(
            slice(joint.first_kind, joint.first_kind + len(joint.frames)) for joint in joints
        ),
        joint_of=None if is_shared else joint_of,
        kind_of=None if is_shared else kind_of_match,
        with_position=tuple(index for index, joint in enumerate(joints) if joint.position_row >= 0),
        turn_groups=_turn_groups(joints, first_kind),
        echoes=echo_windows_ns,
    )


def _joint_plan(
    bench: Bench,
    joint: JointSettings,
    frames: tuple[FramePlan, ...],
    *,
    kind_of: NDArray[np.int32],
    all_channels: tuple[str, ...],
    first_kind: int,
    table: FieldTable,
) -> JointPlan:
    layout = bench.layout_of(joint)
    channels = bench.channels_of(joint)
    encoders = [
        (first_kind + number, frame.encoder, frame.fields[frame.encoder].value)
        for number, frame in enumerate(frames)
        if frame.encoder is not None
    ]
    count_kind, count_field, encoder = encoders[0] if encoders else (-1, 0, None)
    position_scaling = _scaling(encoder, joint) if encoder else Scaling(factor=1.0, offset=0.0)
    counts = encoder.encoder.modulus if encoder and encoder.encoder else 0
    channel_specs = [channel_named(channel) for channel in channels]
    speed_apart = _is_speed_apart(layout)
    speed_values = sum(value.channel == SPEED for frame in layout.frame for value in frame.value)
    many_turns = encoder is not None and encoder.encoder is not None and encoder.encoder.turns > 1
    codes: dict[str, list[int]] = {}
    for number, frame in enumerate(frames):
        for channel in frame.tell.codes:
            codes.setdefault(channel, []).append(first_kind + number)

    def row(channel: str) -> int:
        return all_channels.index(channel) if channel in channels else -1

    return JointPlan(
        joint=joint,
        channels=channels,
        rows=_as_slice([row(channel) for channel in channels]),
        frames=frames,
        first_kind=first_kind,
        kind_of=kind_of,
        lowest=np.array([[channel.lowest] for channel in channel_specs]).reshape(-1, 1),
        highest=np.array([[channel.highest] for channel in channel_specs]).reshape(-1, 1),
        counts=counts,
        count_kind=count_kind,
        count_slot=table.slot_of[count_kind, count_field] if encoders else 0,
        position_row=row(POSITION),
        speed_row=row(SPEED),
        setpoint_row=row(SETPOINT),
        position_scaling=position_scaling,
        zero_count=_zero_count(position_scaling, counts),
        # An encoder that counts its turns itself knows them after any silence.
        known_for_ns=TIME_MAX_NS if many_turns else to_ns(joint.turns_known_for_s),
        guided_for_ns=to_ns(joint.turns_known_for_s),
        find=_find_plan(bench, joint, channels, encoder),
        tells=any(frame.tell for frame in frames),
        codes=tuple((channel, row(channel), tuple(kinds)) for channel, kinds in codes.items()),
        part_kinds=tuple(
            first_kind + number for number, frame in enumerate(frames) if frame.tell.parts
        ),
        speed_apart=speed_apart,
        speed_with_count=not speed_apart and speed_values == 1,
    )


def _zero_count(scaling: Scaling, counts: int) -> int | None:
    """Return the count at the joint's zero; None where the counts are less than an output turn.

    A motor's encoder behind a gear starts again several times in a turn of the output: which of
    them a position begins in is not known, and the nearest to zero is no better than the first.
    """
    if counts * abs(scaling.factor) < 2.0 * math.pi * (1.0 - _WHOLE_TURN_SHARE):
        return None
    return round(-scaling.offset / scaling.factor)


def _as_slice(rows: list[int]) -> slice | list[int]:
    """Return rows as a slice, where they follow one another: it copies nothing."""
    first, stop = (rows[0], rows[-1] + 1) if rows else (0, 0)
    return slice(first, stop) if rows == list(range(first, stop)) else rows


def _turn_groups(joints: Sequence[JointPlan], kinds: int) -> tuple[TurnGroup, ...]:
    """Return the joints whose counts can be unwrapped together."""
    alike: dict[tuple[int, int, int], list[int]] = {}
    for index, joint in enumerate(joints):
        if joint.counts and joint.speed_with_count:
            known_for_ns = min(joint.known_for_ns, joint.guided_for_ns)
            alike.setdefault((joint.counts, known_for_ns, joint.count_slot), []).append(index)
    groups = []
    for (modulus, known_for_ns, slot), members in alike.items():
        is_count, factor, offset = np.zeros(kinds, bool), np.ones(kinds), np.zeros(kinds)
        for joint in (joints[index] for index in members):
            is_count[joint.count_kind] = True
            factor[joint.count_kind] = joint.position_scaling.factor
            offset[joint.count_kind] = joint.position_scaling.offset
        groups.append(
            TurnGroup(
                joints=tuple(members),
                modulus=modulus,
                known_for_ns=known_for_ns,
                is_count=is_count,
                slot=slot,
                position_row=joints[members[0]].position_row,
                speed_row=joints[members[0]].speed_row,
                setpoint_row=max(joints[index].setpoint_row for index in members),
                factor=factor,
                offset=offset,
                has_offset=bool((offset != 0.0).any() or (factor < 0.0).any()),
                finds=any(joints[index].find for index in members),
            )
        )
    return tuple(groups)


def _find_plan(
    bench: Bench, joint: JointSettings, channels: tuple[str, ...], value: Value | None
) -> FindPlan | None:
    """Return how lost turns are found: by the set-points of a single-turn encoder's position."""
    if value is None or value.encoder is None or value.encoder.turns > 1:
        return None
    if SETPOINT not in channels or joint.turns_found_within_s == 0:
        return None
    return FindPlan(
        modulus=value.encoder.modulus,
        hold_ns=bench.hold_times_ns_of(joint)[SETPOINT],
        within_ns=to_ns(joint.turns_found_within_s),
        rad_per_count=_scaling(value, joint).factor,
    )


def _frame_plan(
    bench: Bench, frame: Frame, joint: JointSettings, channels: tuple[str, ...]
) -> FramePlan:
    encoder = next((index for index, value in enumerate(frame.value) if value.encoder), None)
    derives_torque = bench.derives_torque(joint)
    fields = []
    for value in frame.value:
        channel, scaling = channel_named(value.channel), _scaling(value, joint)
        is_count = value.encoder is not None
        # A torque that is computed stands in place of one that is reported.
        is_stored = not is_count and not (derives_torque and value.channel == TORQUE)
        fields.append(
            Field(
                value=value,
                factor=scaling.factor,
                offset=scaling.offset,
                target=channels.index(value.channel) if is_stored else None,
                lowest=channel.lowest if is_stored else -math.inf,
                highest=channel.highest if is_stored else math.inf,
            )
        )
    if derives_torque and joint.torque is not None:
        torque = channel_named(TORQUE)
        fields += [
            replace(
                field,
                second_factor=joint.torque.per_ampere,
                target=channels.index(TORQUE),
                lowest=torque.lowest,
                highest=torque.highest,
            )
            for field in fields
            if field.value.channel == CURRENT
        ]
    return FramePlan(frame=frame, fields=tuple(fields), encoder=encoder, tell=text_plan(frame))


def _scaling(value: Value, joint: JointSettings) -> Scaling:
    """Return a value's scaling with an offset that makes a zero of a negative zero when added."""
    scaling = scaling_of(value, joint, where=joint.name)
    return Scaling(factor=scaling.factor, offset=scaling.offset + 0.0)


def _is_speed_apart(layout: Layout) -> bool:
    return not any(
        any(value.encoder is not None for value in frame.value)
        and any(value.channel == SPEED for value in frame.value)
        for frame in layout.frame
    )
