"""Frame batch -> readings of every joint, vectorised.

Conversions are chosen once, when the plan is made from the bench; a batch then costs a few array
operations for each kind of frame. A frame that cannot be decoded is counted under its reason, never
an exception. Pure: the state of the encoders goes in and comes back, so any chunking of the frames
gives the same readings.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch, ReadingBatch
from logger.joint.bench import Bench, JointSettings
from logger.joint.channels import CHANNELS, INPUT_UNITS
from logger.joint.layout import (
    EXTENDED_MOST,
    STANDARD_MOST,
    Frame,
    Layout,
    Ntc,
    Value,
    identifier_for,
)
from logger.joint.resistance import ntc_degC, pt100_degC
from logger.joint.turns import TurnState, unwrap

__all__ = ["DecodePlan", "DecodeState", "Decoded", "decode", "frame_of", "plan_for", "raw_values"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _ValuePlan:
    value: Value
    factor: float
    offset: float
    """Stored = raw * factor + offset; for a resistance, what gives the ohm."""
    no_value: NDArray[np.int64]
    """Raw values that mean "no value", as `raw_values` gives them."""


_Counts = tuple[_ValuePlan, NDArray[np.intp], NDArray[np.int64]]
"""An encoder, the rows that carry its count, and the counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _FramePlan:
    frame: Frame
    identifier: int
    mask: int
    begins: bytes
    values: tuple[_ValuePlan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _JointPlan:
    joint: JointSettings
    channels: tuple[str, ...]
    frames: tuple[_FramePlan, ...]
    speed_apart: bool
    """The speed stands in another frame than the single-turn count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodePlan:
    """How the frames of a bench are decoded; made once."""

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


def plan_for(bench: Bench) -> DecodePlan:
    """Return how the frames of `bench` are decoded."""
    joints = []
    for joint in bench.joints:
        frames = []
        for frame in bench.layout_of(joint).frame:
            full = EXTENDED_MOST if frame.extended else STANDARD_MOST
            mask = full if frame.mask is None else frame.mask
            number = identifier_for(
                frame.identifier, joint.node, extended=frame.extended, where=joint.name
            )
            frames.append(
                _FramePlan(
                    frame=frame,
                    identifier=number & mask,
                    mask=mask,
                    begins=bytes.fromhex(frame.begins),
                    values=tuple(_value_plan(value, joint) for value in frame.value),
                )
            )
        joints.append(
            _JointPlan(
                joint=joint,
                channels=bench.channels_of(joint),
                frames=tuple(frames),
                speed_apart=_speed_apart(bench.layout_of(joint)),
            )
        )
    return DecodePlan(joints=tuple(joints))


def _speed_apart(layout: Layout) -> bool:
    return not any(
        any(value.encoder is not None for value in frame.value)
        and any(value.channel == "speed_rad_s" for value in frame.value)
        for frame in layout.frame
    )


def _value_plan(value: Value, joint: JointSettings) -> _ValuePlan:
    channel = CHANNELS[value.channel]
    # 64 unsigned bits wrap, here as there.
    no_value = np.array([raw % 2**64 for raw in value.no_value], np.uint64).view(np.int64)
    if value.resistance is not None:
        return _ValuePlan(value=value, factor=value.scale, offset=value.offset, no_value=no_value)
    units = INPUT_UNITS[channel.quantity]
    unit = units[value.unit] if value.unit else next(iter(units.values()))
    gear = 1.0
    if value.side == "motor":
        gear = joint.gear_ratio if channel.quantity == "torque" else 1.0 / joint.gear_ratio
    sign = -1.0 if joint.reversed and channel.mirrored else 1.0
    if value.encoder is not None:
        # The count itself is unwrapped first; this is what one count is worth at the output.
        return _ValuePlan(
            value=value,
            factor=sign * gear * 2.0 * math.pi / value.encoder.counts,
            offset=0.0,
            no_value=no_value,
        )
    turn = sign * gear * unit.factor
    return _ValuePlan(
        value=value,
        factor=value.scale * turn,
        offset=value.offset * turn + sign * gear * unit.offset,
        no_value=no_value,
    )


def raw_values(data: NDArray[np.uint8], value: Value) -> NDArray[np.int64]:
    """Return the raw integers of one value.

    Parameters
    ----------
    data
        uint8, shape (n, width): payloads that are long enough.
    value
        Where it stands.

    Returns
    -------
    int64, shape (n,)
        Unsigned values above 2**63 - 1 wrap; 64 unsigned bits are the only case.
    """
    if value.order == "little":
        lead, shift = value.byte, value.first_bit
        count = (shift + value.bits + 7) // 8
        raw = np.zeros(len(data), np.uint64)
        for index in range(min(count, 8)):
            raw |= data[:, lead + index].astype(np.uint64) << np.uint64(8 * index)
        raw >>= np.uint64(shift)
        if count == 9:
            raw |= data[:, lead + 8].astype(np.uint64) << np.uint64(64 - shift)
    else:
        above = 7 - value.first_bit
        count = (above + value.bits + 7) // 8
        shift = count * 8 - above - value.bits
        raw = np.zeros(len(data), np.uint64)
        for index in range(min(count, 8)):
            raw = (raw << np.uint64(8)) | data[:, value.byte + index]
        if count == 9:
            raw = (raw << np.uint64(8 - shift)) | (
                data[:, value.byte + 8].astype(np.uint64) >> np.uint64(shift)
            )
        else:
            raw >>= np.uint64(shift)
    if value.bits < 64:
        raw &= np.uint64((1 << value.bits) - 1)
        if value.signed:
            sign = np.uint64(1 << (value.bits - 1))
            raw = (raw ^ sign) - sign
    return raw.view(np.int64)


def decode(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> tuple[Decoded, DecodeState]:
    """Return the readings of a batch of frames, and the state for the next batch."""
    owner, rejected = _owners(plan, frames)
    readings: list[ReadingBatch] = []
    strange: dict[tuple[str, str], int] = {}
    states: dict[str, _JointState] = {}
    number = 0
    for joint_plan in plan.joints:
        name = joint_plan.joint.name
        numbers = range(number, number + len(joint_plan.frames))
        number += len(joint_plan.frames)
        batch, states[name] = _joint_readings(
            joint_plan, state.joints.get(name, _JointState()), frames, owner, numbers
        )
        readings.append(batch)
        for channel, values in batch.columns.items():
            known = CHANNELS[channel]
            outside = int(np.count_nonzero((values < known.lowest) | (values > known.highest)))
            if outside:
                strange[(name, channel)] = outside
    return (
        Decoded(readings=tuple(readings), rejected=rejected, strange=strange),
        DecodeState(joints=states),
    )


def frame_of(plan: DecodePlan, frames: FrameBatch) -> Frame:
    """Return the frame of the layout that the first of `frames` fits; KeyError for none."""
    owner = int(_owners(plan, frames)[0][0])
    kinds = [frame_plan.frame for joint in plan.joints for frame_plan in joint.frames]
    if owner < 0:
        raise KeyError(owner)
    return kinds[owner]


def _owners(plan: DecodePlan, frames: FrameBatch) -> tuple[NDArray[np.int32], dict[str, int]]:
    """Return for each frame the number of the frame plan that it fits, -1 for none, and why not."""
    owner = np.full(len(frames), -1, np.int32)
    if len(frames) == 0:
        return owner, {}
    data_frame = (frames.flags & (REMOTE | ERROR | SENT)) == 0
    extended = (frames.flags & EXTENDED) != 0
    # Whatever a frame calls its length, it has no more bytes than the batch holds.
    length = np.minimum(frames.length, frames.data.shape[1])
    claimed = np.zeros(len(frames), bool)
    begun = np.zeros(len(frames), bool)
    number = 0
    for joint in plan.joints:
        for frame_plan in joint.frames:
            fits = data_frame & ((frames.identifier & frame_plan.mask) == frame_plan.identifier)
            fits &= extended if frame_plan.frame.extended else ~extended
            claimed |= fits
            for place, byte in enumerate(frame_plan.begins):
                fits &= length > place
                if fits.any():
                    fits &= frames.data[:, place] == byte
            begun |= fits
            fits &= length >= frame_plan.frame.length
            owner[fits] = number
            number += 1
    counts = {
        # An adapter may mark a frame as several; it is counted once. What we sent is no reject.
        "remote frame": int(np.count_nonzero((frames.flags & (REMOTE | ERROR | SENT)) == REMOTE)),
        "error frame": int(np.count_nonzero((frames.flags & (ERROR | SENT)) == ERROR)),
        "identifier of no joint": int(np.count_nonzero(data_frame & ~claimed)),
        "leading bytes of no frame": int(np.count_nonzero(claimed & ~begun)),
        "too short": int(np.count_nonzero(begun & (owner < 0))),
    }
    return owner, {reason: count for reason, count in counts.items() if count}


def _joint_readings(
    plan: _JointPlan,
    state: _JointState,
    frames: FrameBatch,
    owner: NDArray[np.int32],
    numbers: range,
) -> tuple[ReadingBatch, _JointState]:
    rows = np.flatnonzero((owner >= numbers.start) & (owner < numbers.stop))
    time_ns = frames.time_ns[rows]
    columns: dict[str, Floats] = {channel: np.full(len(rows), np.nan) for channel in plan.channels}
    segment = np.full(len(rows), -1, np.int32)
    encoder: _Counts | None = next(
        (
            (value_plan, np.empty(0, np.intp), np.empty(0, np.int64))
            for frame_plan in plan.frames
            for value_plan in frame_plan.values
            if value_plan.value.encoder is not None
        ),
        None,
    )
    for number, frame_plan in zip(numbers, plan.frames, strict=True):
        places = np.flatnonzero(owner[rows] == number)
        if len(places) == 0:
            continue
        data = frames.data[rows[places]]
        for value_plan in frame_plan.values:
            value = value_plan.value
            raw = raw_values(data, value)
            kept = np.ones(len(raw), bool)
            if len(value_plan.no_value):
                kept = ~np.isin(raw, value_plan.no_value)
            if value.encoder is not None:
                encoder = (value_plan, places[kept], raw[kept])
                continue
            scaled = (
                raw.view(np.uint64).astype(np.float64)
                if value.bits == 64 and not value.signed
                else raw.astype(np.float64)
            ) * value_plan.factor + value_plan.offset
            if value.resistance is not None:
                scaled = _degrees(scaled, value.resistance)
            columns[value.channel][places[kept]] = scaled[kept]
            if value.channel == "position_rad":
                segment[places[kept]] = 0
    if encoder is not None:
        batch = ReadingBatch(
            joint=plan.joint.name, time_ns=time_ns, position_segment=segment, columns=columns
        )
        state = _take_turns(plan, state, encoder, batch)
    torque = plan.joint.torque
    if torque is not None and "torque_Nm" in columns:
        columns["torque_Nm"] = columns["current_A"] * torque.per_ampere
    return (
        ReadingBatch(
            joint=plan.joint.name, time_ns=time_ns, position_segment=segment, columns=columns
        ),
        state,
    )


def _degrees(ohm: Floats, sensor: str | Ntc) -> Floats:
    if isinstance(sensor, Ntc):
        return ntc_degC(ohm, r25_ohm=sensor.r25_ohm, b_K=sensor.b_K)
    return pt100_degC(ohm)


def _take_turns(
    plan: _JointPlan,
    state: _JointState,
    encoder: _Counts,
    batch: ReadingBatch,
) -> _JointState:
    """Fill position and segment of the rows that carry a count; return the state after them."""
    value_plan, places, count = encoder
    time_ns, columns = batch.time_ns, batch.columns
    assert value_plan.value.encoder is not None
    known_for_ns = round(plan.joint.turns_known_for_s * 1e9)
    # One count is worth `factor` rad at the output, so this is the encoder's own speed.
    speed = columns.get("speed_rad_s", np.full(len(time_ns), np.nan)) / value_plan.factor
    told = ~np.isnan(speed)
    latest = np.maximum.accumulate(np.where(told, np.arange(len(speed)), -1))
    held = np.where(latest >= 0, speed[latest], state.speed_counts_s)
    held_since = np.where(latest >= 0, time_ns[latest], state.speed_time_ns)
    held = np.where(time_ns - held_since <= known_for_ns, held, np.nan)
    total, segments, turns = unwrap(
        time_ns[places],
        count,
        held[places],
        modulus=value_plan.value.encoder.counts,
        known_for_ns=known_for_ns,
        state=state.turns,
        speed_apart=plan.speed_apart,
    )
    columns["position_rad"][places] = total * value_plan.factor
    batch.position_segment[places] = segments
    newest = int(latest[-1]) if len(latest) else -1
    return _JointState(
        turns=turns,
        speed_counts_s=float(speed[newest]) if newest >= 0 else state.speed_counts_s,
        speed_time_ns=int(time_ns[newest]) if newest >= 0 else state.speed_time_ns,
    )
