"""Frame batch -> readings of every joint, vectorised.

Conversions are chosen once, when the plan is made from the bench; a batch then costs a few array
operations for each kind of frame. A frame that cannot be decoded is counted under its reason, never
an exception. Pure: the state of the encoders goes in and comes back, so any chunking of the frames
gives the same readings. `owners` says whose a frame is, `fields` reads its bits.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench import Bench, JointSettings
from logger.joint.channels import CHANNELS, INPUT_UNITS
from logger.joint.fields import Fields, fields_for, quantities, words_of
from logger.joint.layout import (
    EXTENDED_MOST,
    STANDARD_MOST,
    Frame,
    Layout,
    Ntc,
    Value,
    identifier_for,
)
from logger.joint.owners import Claim, OwnerPlan, owner_plan, owners_of
from logger.joint.resistance import ntc_degC, pt100_degC
from logger.joint.turns import TurnState, unwrap

__all__ = ["DecodePlan", "DecodeState", "Decoded", "decode", "frame_of", "plan_for", "resumed"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _FramePlan:
    frame: Frame
    fields: Fields
    encoder: int | None
    """Place of the value that is a single-turn encoder."""
    plain: NDArray[np.intp] | slice
    """Places of the values that are stored as they are scaled: all but the encoder."""
    targets: NDArray[np.intp]
    """The joint's channel that each of those is stored in, shape (plain, 1)."""
    sensors: tuple[tuple[int, str | Ntc], ...]
    """Places of resistances, and of what."""
    position: int | None
    """Place of a position that needs no turns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _JointPlan:
    joint: JointSettings
    channels: tuple[str, ...]
    frames: tuple[_FramePlan, ...]
    lowest: Floats
    """Valid range of each channel, shape (channels, 1)."""
    highest: Floats
    derived: tuple[int, int, float] | None
    """Place of a torque that comes from the current, place of that, and N.m per ampere."""
    counts: int
    """Counts of one turn of the joint's single-turn encoder; 0: it has none."""
    worth: float
    """What one count is worth at the output, in rad."""
    speed_apart: bool
    """The speed stands in another frame than the single-turn count."""
    speed_beside: bool
    """It stands in the same frame, and in no other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodePlan:
    """How the frames of a bench are decoded; made once."""

    owners: OwnerPlan
    joints: tuple[_JointPlan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _JointState:
    turns: TurnState = field(default_factory=TurnState)
    speed_counts_s: float = math.nan
    speed_time_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodeState:
    """What is carried from one batch to the next: where each joint's encoder stood."""

    joints: Mapping[str, _JointState] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """What became of a batch of frames."""

    readings: tuple[ReadingBatch, ...]
    """One for each joint of the bench, in its order; empty where it said nothing."""
    rejected: Mapping[str, int]
    """Reason in words -> frames that were not decoded for it."""
    strange: Mapping[tuple[str, str], int]
    """(joint, channel) -> decoded values outside the channel's valid range; they are kept."""


_FRESH = _JointState()


def plan_for(bench: Bench) -> DecodePlan:
    """Return how the frames of `bench` are decoded."""
    claims: list[Claim] = []
    joints = []
    for joint in bench.joints:
        layout = bench.layout_of(joint)
        channels = bench.channels_of(joint)
        for frame in layout.frame:
            full = EXTENDED_MOST if frame.extended else STANDARD_MOST
            mask = full if frame.mask is None else frame.mask
            number = identifier_for(
                frame.identifier, joint.node, extended=frame.extended, where=joint.name
            )
            claims.append(
                Claim(
                    bus=bench.bus_of(joint),
                    extended=frame.extended,
                    identifier=number & mask,
                    mask=mask,
                    begins=bytes.fromhex(frame.begins),
                    length=frame.length,
                )
            )
        encoder = next(
            (value for frame in layout.frame for value in frame.value if value.encoder), None
        )
        known = [CHANNELS[channel] for channel in channels]
        apart = _speed_apart(layout)
        speeds = sum(
            value.channel == "speed_rad_s" for frame in layout.frame for value in frame.value
        )
        joints.append(
            _JointPlan(
                joint=joint,
                channels=channels,
                frames=tuple(_frame_plan(frame, joint, channels) for frame in layout.frame),
                lowest=np.array([[channel.lowest] for channel in known]).reshape(-1, 1),
                highest=np.array([[channel.highest] for channel in known]).reshape(-1, 1),
                derived=_derived(joint, channels),
                counts=encoder.encoder.counts if encoder and encoder.encoder else 0,
                worth=_worth(encoder, joint)[0] if encoder else 1.0,
                speed_apart=apart,
                speed_beside=not apart and speeds == 1,
            )
        )
    return DecodePlan(owners=owner_plan(claims), joints=tuple(joints))


def _frame_plan(frame: Frame, joint: JointSettings, channels: tuple[str, ...]) -> _FramePlan:
    values = frame.value
    encoder = next((place for place, value in enumerate(values) if value.encoder), None)
    plain = [place for place in range(len(values)) if place != encoder]
    return _FramePlan(
        frame=frame,
        fields=fields_for(values, [_worth(value, joint) for value in values]),
        encoder=encoder,
        plain=slice(None) if encoder is None else np.array(plain, np.intp),
        targets=np.array(
            [[channels.index(values[place].channel)] for place in plain], np.intp
        ).reshape(-1, 1),
        sensors=tuple(
            (place, value.resistance)
            for place, value in enumerate(values)
            if value.resistance is not None
        ),
        position=next(
            (
                place
                for place, value in enumerate(values)
                if value.channel == "position_rad" and place != encoder
            ),
            None,
        ),
    )


def _derived(joint: JointSettings, channels: tuple[str, ...]) -> tuple[int, int, float] | None:
    if joint.torque is None or "torque_Nm" not in channels:
        return None
    return channels.index("torque_Nm"), channels.index("current_A"), joint.torque.per_ampere


def _speed_apart(layout: Layout) -> bool:
    return not any(
        any(value.encoder is not None for value in frame.value)
        and any(value.channel == "speed_rad_s" for value in frame.value)
        for frame in layout.frame
    )


def _worth(value: Value, joint: JointSettings) -> tuple[float, float]:
    """Return factor and offset of stored = raw * factor + offset; of a resistance, in ohm."""
    if value.resistance is not None:
        return value.scale, value.offset
    channel = CHANNELS[value.channel]
    units = INPUT_UNITS[channel.quantity]
    unit = units[value.unit] if value.unit else next(iter(units.values()))
    gear = 1.0
    if value.side == "motor":
        gear = joint.gear_ratio if channel.quantity == "torque" else 1.0 / joint.gear_ratio
    sign = -1.0 if joint.reversed and channel.mirrored else 1.0
    if value.encoder is not None:
        # The count itself is unwrapped first; this is what one count is worth at the output.
        return sign * gear * 2.0 * math.pi / value.encoder.counts, 0.0
    turn = sign * gear * unit.factor
    return value.scale * turn, value.offset * turn + sign * gear * unit.offset


def decode(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> tuple[Decoded, DecodeState]:
    """Return the readings of a batch of frames, and the state for the next batch."""
    owner, rejected = owners_of(plan.owners, frames)
    words = words_of(frames.data)
    readings: list[ReadingBatch] = []
    strange: dict[tuple[str, str], int] = {}
    states: dict[str, _JointState] = {}
    first = 0
    for joint_plan in plan.joints:
        name = joint_plan.joint.name
        before = state.joints.get(name, _FRESH)
        behind = first + len(joint_plan.frames)
        rows = ((owner >= first) & (owner < behind)).nonzero()[0]
        values, segment, states[name] = _joint_values(
            joint_plan, before, frames, words, rows=rows, kind=owner[rows] - first
        )
        first = behind
        readings.append(
            ReadingBatch(
                joint=name,
                time_ns=frames.time_ns[rows],
                position_segment=segment,
                columns=dict(zip(joint_plan.channels, values, strict=True)),
            )
        )
        # NaN is neither below nor above.
        outside = (values < joint_plan.lowest) | (values > joint_plan.highest)
        if outside.any():
            for channel, count in zip(joint_plan.channels, outside.sum(axis=1), strict=True):
                if count:
                    strange[(name, channel)] = int(count)
    return (
        Decoded(readings=tuple(readings), rejected=rejected, strange=strange),
        DecodeState(joints=states),
    )


def frame_of(plan: DecodePlan, frames: FrameBatch) -> Frame:
    """Return the frame of the layout that the first of `frames` fits; KeyError for none."""
    owner = int(owners_of(plan.owners, frames)[0][0])
    kinds = [frame_plan.frame for joint in plan.joints for frame_plan in joint.frames]
    if owner < 0:
        raise KeyError(owner)
    return kinds[owner]


def resumed(segments: Mapping[str, int]) -> DecodeState:
    """Return the state with which a recording is gone on with.

    `segments` names the newest position segment of each joint. Nobody counted turns in between, so
    an encoder's next reading begins a segment after that one.
    """
    return DecodeState(
        joints={
            joint: _JointState(turns=TurnState(time_ns=-(2**62), segment=segment))
            for joint, segment in segments.items()
        }
    )


def _joint_values(
    plan: _JointPlan,
    state: _JointState,
    frames: FrameBatch,
    words: NDArray[np.uint64],
    *,
    rows: NDArray[np.intp],
    kind: NDArray[np.int32],
) -> tuple[Floats, NDArray[np.int32], _JointState]:
    """Return values of shape (channels, rows), the segment of each row, and the state after."""
    values = np.empty((len(plan.channels), len(rows)))
    values.fill(np.nan)
    segment = np.empty(len(rows), np.int32)
    segment.fill(-1)
    counted: tuple[NDArray[np.intp], NDArray[np.int64]] | None = None
    counts_due = 0
    for number, frame_plan in enumerate(plan.frames):
        places = (kind == number).nonzero()[0]
        if len(places) == 0 or not frame_plan.fields.values:
            continue
        raw, scaled, absent = quantities(frame_plan.fields, words, frames.data, rows[places])
        for place, sensor in frame_plan.sensors:
            scaled[place] = _degrees(scaled[place], sensor)
        if absent is not None:
            scaled[absent] = np.nan
        values[frame_plan.targets, places] = scaled[frame_plan.plain]
        if frame_plan.encoder is not None:
            counts_due = len(places)
            kept = slice(None) if absent is None else ~absent[frame_plan.encoder]
            counted = places[kept], raw[frame_plan.encoder][kept]
        if frame_plan.position is not None:
            told = ~np.isnan(scaled[frame_plan.position])
            segment[places[told]] = 0
    if plan.counts and len(rows):
        state = _take_turns(
            plan,
            state,
            counted,
            counts_due=counts_due,
            time_ns=frames.time_ns[rows],
            values=values,
            segment=segment,
        )
    if plan.derived is not None:
        torque, current, per_ampere = plan.derived
        values[torque] = values[current] * per_ampere
    return values, segment, state


def _degrees(ohm: Floats, sensor: str | Ntc) -> Floats:
    if isinstance(sensor, Ntc):
        return ntc_degC(ohm, r25_ohm=sensor.r25_ohm, b_K=sensor.b_K)
    return pt100_degC(ohm)


def _take_turns(
    plan: _JointPlan,
    state: _JointState,
    counted: tuple[NDArray[np.intp], NDArray[np.int64]] | None,
    *,
    counts_due: int,
    time_ns: NDArray[np.int64],
    values: Floats,
    segment: NDArray[np.int32],
) -> _JointState:
    """Fill position and segment of the rows that carry a count; return the state after them.

    `counts_due`: rows that carry one, unless it says "no value".
    """
    known_for_ns = round(plan.joint.turns_known_for_s * 1e9)
    if plan.speed_beside and counted is not None and len(counted[0]) == counts_due:
        beside = values[plan.channels.index("speed_rad_s")][counted[0]] / plan.worth
        if not np.isnan(beside).any():
            turns = _counted(
                plan, state, counted, beside, time_ns=time_ns, values=values, segment=segment
            )
            return _JointState(
                turns=turns,
                speed_counts_s=turns.speed_counts_s,
                speed_time_ns=turns.time_ns,
            )
    if "speed_rad_s" in plan.channels:
        # One count is worth `worth` rad at the output, so this is the encoder's own speed.
        speed = values[plan.channels.index("speed_rad_s")] / plan.worth
        told = ~np.isnan(speed)
    else:
        speed = np.full(len(time_ns), np.nan)
        told = np.zeros(len(time_ns), bool)
    if told.all():
        held, newest = speed, len(speed) - 1
    else:
        latest = np.maximum.accumulate(np.where(told, np.arange(len(speed)), -1))
        held = np.where(latest >= 0, speed[latest], state.speed_counts_s)
        held_since = np.where(latest >= 0, time_ns[latest], state.speed_time_ns)
        held = np.where(time_ns - held_since <= known_for_ns, held, np.nan)
        newest = int(latest[-1])
    turns = state.turns
    if counted is not None:
        turns = _counted(
            plan, state, counted, held[counted[0]], time_ns=time_ns, values=values, segment=segment
        )
    return _JointState(
        turns=turns,
        speed_counts_s=float(speed[newest]) if newest >= 0 else state.speed_counts_s,
        speed_time_ns=int(time_ns[newest]) if newest >= 0 else state.speed_time_ns,
    )


def _counted(
    plan: _JointPlan,
    state: _JointState,
    counted: tuple[NDArray[np.intp], NDArray[np.int64]],
    speed_counts_s: Floats,
    *,
    time_ns: NDArray[np.int64],
    values: Floats,
    segment: NDArray[np.int32],
) -> TurnState:
    """Fill position and segment where there is a count; `speed_counts_s` is that at each count."""
    places, count = counted
    total, segments, turns = unwrap(
        time_ns[places],
        count,
        speed_counts_s,
        modulus=plan.counts,
        known_for_ns=round(plan.joint.turns_known_for_s * 1e9),
        state=state.turns,
        speed_apart=plan.speed_apart,
    )
    values[plan.channels.index("position_rad"), places] = total * plan.worth
    segment[places] = segments
    return turns
