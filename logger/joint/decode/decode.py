"""Frame batch -> readings of every joint, vectorised.

Conversions are chosen once, when the plan is made from the bench; a batch then costs a few array
operations for each kind of frame. A frame that cannot be decoded is counted under its reason, never
an exception. Pure: the state of the encoders goes in and comes back, so any chunking of the frames
gives the same readings. `dispatch` says whose a frame is, `bit_fields` reads its bits.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.layout import Frame, Layout
from logger.joint.bench.scaling import Scaling, scaling_of
from logger.joint.bench.value import Ntc
from logger.joint.channels import CHANNELS
from logger.joint.decode.bit_fields import BitFields, bit_fields, extract_values, payload_words
from logger.joint.decode.dispatch import (
    REQUEST_NUMBER,
    DispatchTable,
    bench_dispatch_table,
    dispatch_frames,
)
from logger.joint.decode.loopback import NO_ECHO_STATE as FRESH_ECHO
from logger.joint.decode.loopback import EchoState, is_response
from logger.joint.decode.resistance import ntc_degC, pt100_degC
from logger.joint.decode.text_codes import Notice, TextPlan, TextState, decode_texts, text_plan
from logger.joint.decode.unwrap import UnwrapState, unwrap_counts

__all__ = [
    "DecodePlan",
    "DecodeState",
    "Decoded",
    "decode",
    "decode_plan",
    "frame_for",
    "frame_kinds",
    "state_for_resume",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _FramePlan:
    frame: Frame
    bit_fields: BitFields
    encoder: int | None
    """Place of the value that is a single-turn encoder."""
    direct_values: NDArray[np.intp] | slice
    """Places of the values that are stored as they are scaled: all but the encoder."""
    targets: NDArray[np.intp]
    """The joint's channel that each of those is stored in, shape (plain, 1)."""
    resistance_sensors: tuple[tuple[int, str | Ntc], ...]
    """Places of resistances, and of what."""
    position: int | None
    """Place of a position that needs no turns."""
    text_plan: TextPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class _JointPlan:
    joint: JointSettings
    channels: tuple[str, ...]
    frames: tuple[_FramePlan, ...]
    kind_of: NDArray[np.int32]
    """Shape (claims + 2,): place in `frames` for the owner of a frame, -1 for none; the last two
    are for owners below 0."""
    lowest: Floats
    """Valid range of each channel, shape (channels, 1)."""
    highest: Floats
    derived_torque: tuple[int, int, float] | None
    """Place of a torque that comes from the current, place of that, and N.m per ampere."""
    count_modulus: int
    """Counts of one turn of the joint's single-turn encoder; 0: it has none."""
    encoder_scaling: Scaling
    """What one count is worth at the output, in rad; the offset is that of the joint's zero."""
    count_valid_ns: int
    """The longest silence over which the turns of the encoder are believed."""
    has_texts: bool
    """Any of its frames tells something in words."""
    speed_in_other_frame: bool
    """The speed stands in another frame than the single-turn count."""
    speed_in_same_frame: bool
    """It stands in the same frame, and in no other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodePlan:
    """How the frames of a bench are decoded; made once."""

    dispatch: DispatchTable
    joints: tuple[_JointPlan, ...]
    echo_windows_ns: Mapping[int, int]
    """Owner whose request looks like it -> how long after that it comes at most, in ns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _JointState:
    unwrap_state: UnwrapState = field(default_factory=UnwrapState)
    text_state: TextState = field(default_factory=TextState)
    restarts: int = 0
    """How often the joint said that it was just switched on."""
    restarts_counted: int = 0
    """How many of these its encoder's newest count knows of."""
    speed_counts_s: float = math.nan
    speed_time_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodeState:
    """What is carried from one batch to the next: where each joint stood."""

    joints: Mapping[str, _JointState] = field(default_factory=dict)
    echo_states: Mapping[int, EchoState] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """What became of a batch of frames."""

    readings: tuple[ReadingBatch, ...]
    """One for each joint of the bench, in its order; empty where it said nothing."""
    rejected: Mapping[str, int]
    """Reason in words -> frames that were not decoded for it."""
    out_of_range: Mapping[tuple[str, str], int]
    """(joint, channel) -> decoded values outside the channel's valid range; they are kept."""
    requests: int = 0
    """Frames that another controller asked the joints with."""
    notices: tuple[Notice, ...] = ()
    """What the joints said in words, in order of time."""


_FRESH_JOINT = _JointState()
_TIME_LIMIT_NS: Final = 2**62
"""An encoder that counts its turns itself knows them after any silence."""
_REASON_UNCLEAR: Final = "request or answer, cannot be told"
_REASON_UNPAIRED: Final = "request or answer without its other half"


def decode_plan(bench: Bench, *, with_requests: bool | None = None) -> DecodePlan:
    """Return how the frames of `bench` are decoded.

    `with_requests`: this program sent the requests, so that what looks like one is the answer;
    left out,
    that is what the bench file says of each bus (`send`).
    """
    dispatch = bench_dispatch_table(bench)
    number_of = dispatch.number_by_match
    joints = []
    echo_windows_ns: dict[int, int] = {}
    for joint in bench.joints:
        layout = bench.layout_of(joint)
        kind_of = np.full(len(dispatch.frame_matches) + 2, -1, np.int32)
        sends = bench.buses[bench.bus_of(joint)].send if with_requests is None else with_requests
        for frame_index, (frame, match) in enumerate(
            zip(layout.frame, bench.frame_matches_of(joint), strict=True)
        ):
            match_number = number_of[match]
            kind_of[match_number] = frame_index
            if frame.echo_within_s is not None and not sends:
                echo_windows_ns[match_number] = round(frame.echo_within_s * 1e9)
        joints.append(_joint_plan(bench, joint, layout, kind_of))
    return DecodePlan(dispatch=dispatch, joints=tuple(joints), echo_windows_ns=echo_windows_ns)


def _joint_plan(
    bench: Bench, joint: JointSettings, layout: Layout, kind_of: NDArray[np.int32]
) -> _JointPlan:
    channels = bench.channels_of(joint)
    encoder = next(
        (value for frame in layout.frame for value in frame.value if value.encoder), None
    )
    channel_specs = [CHANNELS[channel] for channel in channels]
    speed_apart = _is_speed_apart(layout)
    speeds = sum(value.channel == "speed_rad_s" for frame in layout.frame for value in frame.value)
    frames = tuple(_frame_plan(frame, joint, channels) for frame in layout.frame)
    many_turns = encoder is not None and encoder.encoder is not None and encoder.encoder.turns > 1
    return _JointPlan(
        joint=joint,
        channels=channels,
        frames=frames,
        kind_of=kind_of,
        lowest=np.array([[channel.lowest] for channel in channel_specs]).reshape(-1, 1),
        highest=np.array([[channel.highest] for channel in channel_specs]).reshape(-1, 1),
        derived_torque=_derived_torque_plan(bench, joint, channels),
        count_modulus=encoder.encoder.modulus if encoder and encoder.encoder else 0,
        encoder_scaling=scaling_of(encoder, joint, where=joint.name)
        if encoder
        else Scaling(factor=1.0, offset=0.0),
        count_valid_ns=_TIME_LIMIT_NS if many_turns else round(joint.turns_known_for_s * 1e9),
        has_texts=any(frame.text_plan for frame in frames),
        speed_in_other_frame=speed_apart,
        speed_in_same_frame=not speed_apart and speeds == 1,
    )


def _frame_plan(frame: Frame, joint: JointSettings, channels: tuple[str, ...]) -> _FramePlan:
    values = frame.value
    encoder = next((value_index for value_index, value in enumerate(values) if value.encoder), None)
    direct_values = [value_index for value_index in range(len(values)) if value_index != encoder]
    scalings = [scaling_of(value, joint, where=joint.name) for value in values]
    return _FramePlan(
        frame=frame,
        bit_fields=bit_fields(values, [(scaling.factor, scaling.offset) for scaling in scalings]),
        encoder=encoder,
        direct_values=slice(None) if encoder is None else np.array(direct_values, np.intp),
        targets=np.array(
            [[channels.index(values[value_index].channel)] for value_index in direct_values],
            np.intp,
        ).reshape(-1, 1),
        resistance_sensors=tuple(
            (value_index, value.resistance)
            for value_index, value in enumerate(values)
            if value.resistance is not None
        ),
        position=next(
            (
                value_index
                for value_index, value in enumerate(values)
                if value.channel == "position_rad" and value_index != encoder
            ),
            None,
        ),
        text_plan=text_plan(frame),
    )


def _derived_torque_plan(
    bench: Bench, joint: JointSettings, channels: tuple[str, ...]
) -> tuple[int, int, float] | None:
    if joint.torque is None or not bench.derives_torque(joint) or "torque_Nm" not in channels:
        return None
    return channels.index("torque_Nm"), channels.index("current_A"), joint.torque.per_ampere


def _is_speed_apart(layout: Layout) -> bool:
    return not any(
        any(value.encoder is not None for value in frame.value)
        and any(value.channel == "speed_rad_s" for value in frame.value)
        for frame in layout.frame
    )


def decode(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> tuple[Decoded, DecodeState]:
    """Return the readings of a batch of frames, and the state for the next batch."""
    match_number, rejected = dispatch_frames(plan.dispatch, frames)
    echo_states = state.echo_states
    if plan.echo_windows_ns:
        echo_states = _drop_echoes(plan, state.echo_states, frames, match_number, rejected)
    words_of_payload = payload_words(frames.data)
    readings: list[ReadingBatch] = []
    out_of_range: dict[tuple[str, str], int] = {}
    states: dict[str, _JointState] = {}
    notices: list[Notice] = []
    for joint_plan in plan.joints:
        name = joint_plan.joint.name
        joint_state = state.joints.get(name, _FRESH_JOINT)
        kind_of_frame = joint_plan.kind_of[match_number]
        rows = (kind_of_frame >= 0).nonzero()[0]
        channel_values, segment, states[name] = _decode_joint(
            joint_plan,
            joint_state,
            frames,
            words_of_payload,
            rows=rows,
            kind=kind_of_frame[rows],
            notices=notices,
        )
        readings.append(
            ReadingBatch(
                joint=name,
                time_ns=frames.time_ns[rows],
                position_segment=segment,
                columns=dict(zip(joint_plan.channels, channel_values, strict=True)),
            )
        )
        # NaN is neither below nor above.
        is_outside = (channel_values < joint_plan.lowest) | (channel_values > joint_plan.highest)
        if is_outside.any():
            for channel, count in zip(joint_plan.channels, is_outside.sum(axis=1), strict=True):
                if count:
                    out_of_range[(name, channel)] = int(count)
    notices.sort(key=lambda notice: notice.time_ns)
    return (
        Decoded(
            readings=tuple(readings),
            rejected=rejected,
            out_of_range=out_of_range,
            requests=int(np.count_nonzero(match_number == REQUEST_NUMBER)),
            notices=tuple(notices),
        ),
        DecodeState(joints=states, echo_states=echo_states),
    )


def _drop_echoes(
    plan: DecodePlan,
    states: Mapping[int, EchoState],
    frames: FrameBatch,
    match_number: NDArray[np.int32],
    rejected: dict[str, int],
) -> dict[int, EchoState]:
    """Take requests that look like their answer out of `match_number`; count what cannot be told."""
    states_after: dict[int, EchoState] = {}
    for number, within_ns in plan.echo_windows_ns.items():
        rows = np.flatnonzero(match_number == number)
        is_answer, unclear, single, states_after[number] = is_response(
            frames.time_ns[rows], within_ns=within_ns, state=states.get(number, FRESH_ECHO)
        )
        match_number[rows[~is_answer]] = REQUEST_NUMBER
        for reason, count in ((_REASON_UNCLEAR, unclear), (_REASON_UNPAIRED, single)):
            if count:
                rejected[reason] = rejected.get(reason, 0) + count
    return states_after


def frame_kinds(plan: DecodePlan, frames: FrameBatch) -> tuple[NDArray[np.int32], ...]:
    """Return for each joint which kind of frame each is: place in its layout, -1 for none.

    Shape (n,) each; as `decode` takes them where nothing came before.
    """
    match_number, rejected = dispatch_frames(plan.dispatch, frames)
    if plan.echo_windows_ns:
        _drop_echoes(plan, {}, frames, match_number, rejected)
    return tuple(joint.kind_of[match_number] for joint in plan.joints)


def frame_for(plan: DecodePlan, frames: FrameBatch) -> Frame:
    """Return the frame of the layout that the first of `frames` fits; KeyError for none."""
    match_number = int(dispatch_frames(plan.dispatch, frames)[0][0])
    for joint in plan.joints:
        frame_index = int(joint.kind_of[match_number])
        if frame_index >= 0:
            return joint.frames[frame_index].frame
    raise KeyError(match_number)


def state_for_resume(segments: Mapping[str, int]) -> DecodeState:
    """Return the state with which a recording is gone on with.

    `segments` names the newest position segment of each joint. Nobody counted turns in between, so
    an encoder's next reading begins a segment after that one.
    """
    return DecodeState(
        joints={
            joint: _JointState(
                unwrap_state=UnwrapState(time_ns=-(2**62), segment=segment),
                restarts=segment,
                restarts_counted=segment,
            )
            for joint, segment in segments.items()
        }
    )


def _decode_joint(
    plan: _JointPlan,
    state: _JointState,
    frames: FrameBatch,
    words: NDArray[np.uint64],
    *,
    rows: NDArray[np.intp],
    kind: NDArray[np.int32],
    notices: list[Notice],
) -> tuple[Floats, NDArray[np.int32], _JointState]:
    """Return values of shape (channels, rows), the segment of each row, and the state after."""
    values = np.empty((len(plan.channels), len(rows)))
    values.fill(np.nan)
    segment = np.empty(len(rows), np.int32)
    segment.fill(-1)
    encoder_counts: tuple[NDArray[np.intp], NDArray[np.int64]] | None = None
    counts_due = 0
    text_frames: list[tuple[TextPlan, NDArray[np.intp]]] = []
    for number, frame_plan in enumerate(plan.frames):
        row_indices = (kind == number).nonzero()[0]
        if len(row_indices) == 0:
            continue
        if frame_plan.text_plan:
            text_frames.append((frame_plan.text_plan, row_indices))
        if not frame_plan.bit_fields.values:
            continue
        raw, scaled, absent = extract_values(
            frame_plan.bit_fields, words, frames.data, rows[row_indices]
        )
        for value_index, sensor in frame_plan.resistance_sensors:
            scaled[value_index] = _sensor_temperature(scaled[value_index], sensor)
        if absent is not None:
            scaled[absent] = np.nan
        values[frame_plan.targets, row_indices] = scaled[frame_plan.direct_values]
        if frame_plan.encoder is not None:
            counts_due = len(row_indices)
            kept_rows = slice(None) if absent is None else ~absent[frame_plan.encoder]
            encoder_counts = row_indices[kept_rows], raw[frame_plan.encoder][kept_rows]
        if frame_plan.position is not None:
            has_position = ~np.isnan(scaled[frame_plan.position])
            segment[row_indices[has_position]] = 0
    restarts: NDArray[np.int64] | None = None
    if plan.has_texts and len(rows):
        state, restarts = _decode_texts(
            plan, state, frames, text_frames, rows=rows, values=values, notices=notices
        )
        if restarts is not None and not plan.count_modulus:
            has_segment = segment >= 0
            segment[has_segment] = restarts[has_segment]
    if plan.count_modulus and len(rows):
        state = _fill_position(
            plan,
            state,
            encoder_counts,
            counts_due=counts_due,
            time_ns=frames.time_ns[rows],
            values=values,
            segment=segment,
            restarts=restarts,
        )
    if plan.derived_torque is not None:
        torque, current, per_ampere = plan.derived_torque
        values[torque] = values[current] * per_ampere
    return values, segment, state


def _decode_texts(
    plan: _JointPlan,
    joint_state: _JointState,
    frames: FrameBatch,
    text_frames: Sequence[tuple[TextPlan, NDArray[np.intp]]],
    *,
    rows: NDArray[np.intp],
    values: Floats,
    notices: list[Notice],
) -> tuple[_JointState, NDArray[np.int64] | None]:
    """Add what the joint says in words; return the state, and how often it restarted by each row.

    None for the latter: it never did.
    """
    text_state = joint_state.text_state
    restarted: NDArray[np.bool_] | None = None
    for frame_texts, row_indices in text_frames:
        codes = {
            channel: values[plan.channels.index(channel), row_indices]
            for channel in frame_texts.codes
        }
        if not frame_texts.parts and all(
            text_state.is_repeated(channel, repeated) for channel, repeated in codes.items()
        ):
            continue
        more_notices, restarts, text_state = decode_texts(
            frame_texts,
            text_state,
            joint=plan.joint.name,
            time_ns=frames.time_ns[rows[row_indices]],
            values=codes,
            data=frames.data[rows[row_indices]],
        )
        notices += more_notices
        if restarts.any():
            if restarted is None:
                restarted = np.zeros(len(rows), bool)
            restarted[row_indices] = restarts
    if text_state is not joint_state.text_state:
        joint_state = replace(joint_state, text_state=text_state)
    if restarted is not None:
        count = joint_state.restarts + np.cumsum(restarted)
        return replace(joint_state, restarts=int(count[-1])), count
    return joint_state, np.full(len(rows), joint_state.restarts) if joint_state.restarts else None


def _sensor_temperature(ohm: Floats, sensor: str | Ntc) -> Floats:
    if isinstance(sensor, Ntc):
        return ntc_degC(ohm, r25_ohm=sensor.r25_ohm, b_K=sensor.b_K)
    return pt100_degC(ohm)


def _fill_position(
    plan: _JointPlan,
    joint_state: _JointState,
    encoder_counts: tuple[NDArray[np.intp], NDArray[np.int64]] | None,
    *,
    counts_due: int,
    time_ns: NDArray[np.int64],
    values: Floats,
    segment: NDArray[np.int32],
    restarts: NDArray[np.int64] | None,
) -> _JointState:
    """Fill position and segment of the rows that carry a count; return the state after them.

    `counts_due`: rows that carry one, unless it says "no value". `restarts`: how often the joint
    was switched on by each row, None for never.
    """
    known_for_ns = round(plan.joint.turns_known_for_s * 1e9)
    broken = None
    if restarts is not None and encoder_counts is not None and len(encoder_counts[0]):
        restarts_at_counts = restarts[encoder_counts[0]]
        broken = np.diff(restarts_at_counts, prepend=joint_state.restarts_counted) > 0
        joint_state = replace(joint_state, restarts_counted=int(restarts_at_counts[-1]))
    if (
        plan.speed_in_same_frame
        and encoder_counts is not None
        and len(encoder_counts[0]) == counts_due
    ):
        paired_speeds = (
            values[plan.channels.index("speed_rad_s")][encoder_counts[0]]
            / plan.encoder_scaling.factor
        )
        if not np.isnan(paired_speeds).any():
            unwrap_state = _unwrap_counts(
                plan,
                joint_state,
                encoder_counts,
                paired_speeds,
                time_ns=time_ns,
                values=values,
                segment=segment,
                broken=broken,
            )
            return _state_after(
                joint_state, unwrap_state, unwrap_state.speed_counts_s, unwrap_state.time_ns
            )
    if "speed_rad_s" in plan.channels:
        # One count is worth `encoder_scaling` rad at the output, so this is the encoder's own
        # speed.
        speed = values[plan.channels.index("speed_rad_s")] / plan.encoder_scaling.factor
        has_speed = ~np.isnan(speed)
    else:
        speed = np.full(len(time_ns), np.nan)
        has_speed = np.zeros(len(time_ns), bool)
    if has_speed.all():
        held_speed, newest = speed, len(speed) - 1
    else:
        latest = np.maximum.accumulate(np.where(has_speed, np.arange(len(speed)), -1))
        held_speed = np.where(latest >= 0, speed[latest], joint_state.speed_counts_s)
        held_since = np.where(latest >= 0, time_ns[latest], joint_state.speed_time_ns)
        held_speed = np.where(time_ns - held_since <= known_for_ns, held_speed, np.nan)
        newest = int(latest[-1])
    unwrap_state = joint_state.unwrap_state
    if encoder_counts is not None:
        unwrap_state = _unwrap_counts(
            plan,
            joint_state,
            encoder_counts,
            held_speed[encoder_counts[0]],
            time_ns=time_ns,
            values=values,
            segment=segment,
            broken=broken,
        )
    return _state_after(
        joint_state,
        unwrap_state,
        float(speed[newest]) if newest >= 0 else joint_state.speed_counts_s,
        int(time_ns[newest]) if newest >= 0 else joint_state.speed_time_ns,
    )


def _state_after(
    state: _JointState, unwrap_state: UnwrapState, speed_counts_s: float, speed_time_ns: int
) -> _JointState:
    """Return the state with other turns and speed; `replace` would cost a twentieth of a batch."""
    return _JointState(
        unwrap_state=unwrap_state,
        text_state=state.text_state,
        restarts=state.restarts,
        restarts_counted=state.restarts_counted,
        speed_counts_s=speed_counts_s,
        speed_time_ns=speed_time_ns,
    )


def _unwrap_counts(
    plan: _JointPlan,
    state: _JointState,
    encoder_counts: tuple[NDArray[np.intp], NDArray[np.int64]],
    speed_counts_s: Floats,
    *,
    time_ns: NDArray[np.int64],
    values: Floats,
    segment: NDArray[np.int32],
    broken: NDArray[np.bool_] | None,
) -> UnwrapState:
    """Fill position and segment where there is a count; `speed_counts_s` is that at each count."""
    row_indices, count = encoder_counts
    total, segments, unwrap_state = unwrap_counts(
        time_ns[row_indices],
        count,
        speed_counts_s,
        modulus=plan.count_modulus,
        valid_for_ns=plan.count_valid_ns,
        state=state.unwrap_state,
        speed_apart=plan.speed_in_other_frame,
        broken=broken,
    )
    position = total * plan.encoder_scaling.factor
    if plan.encoder_scaling.offset:
        position += plan.encoder_scaling.offset
    values[plan.channels.index("position_rad"), row_indices] = position
    segment[row_indices] = segments
    return unwrap_state
