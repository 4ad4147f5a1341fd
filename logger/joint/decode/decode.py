"""Frame batch -> readings of every joint, vectorised.

Conversions are chosen once, when the plan is made from the bench; a batch then costs a few array
operations for each kind of frame. A frame that cannot be decoded is counted under its reason, never
an exception. Pure: the state of the encoders goes in and comes back, so any chunking of the frames
gives the same readings. `dispatch` finds the joint of a frame, `bit_fields` reads its bits.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.event_kind import PositionAnchor
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.value import Ntc
from logger.joint.decode.bit_fields import extract_values, payload_words
from logger.joint.decode.decode_plan import DecodePlan, JointPlan, decode_plan
from logger.joint.decode.decode_state import DecodeState, JointState, state_for_resume
from logger.joint.decode.dispatch import REQUEST_NUMBER, dispatch_frames
from logger.joint.decode.encoder_position import fill_position
from logger.joint.decode.loopback import NO_ECHO_STATE, EchoState, is_response
from logger.joint.decode.resistance import ntc_degC, pt100_degC
from logger.joint.decode.text_codes import Notice, TextPlan, decode_texts
from logger.joint.decode.turn_memory import FoundSegment

__all__ = [
    "DecodePlan",
    "DecodeState",
    "Decoded",
    "OutOfRange",
    "decode",
    "decode_plan",
    "frame_kinds",
    "state_for_resume",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfRange:
    """Values of one channel outside its valid range, and the frame of the first of them."""

    count: int
    value: float
    """The first of them."""
    row: int
    """Index of its frame in the batch."""
    frame: str
    """Name of that frame in the layout."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """The result of decoding a batch of frames."""

    readings: tuple[ReadingBatch, ...]
    """One for each joint of the bench, in its order; empty where it sent nothing."""
    rejected: Mapping[str, int]
    """Reason in words -> frames that were not decoded for it."""
    out_of_range: Mapping[tuple[str, str], OutOfRange]
    """(joint, channel) -> decoded values outside the channel's valid range; they are kept."""
    requests: int = 0
    """Number of requests of another controller."""
    notices: tuple[Notice, ...] = ()
    """What the joints reported in words, in order of time."""
    anchors: Mapping[tuple[str, int], PositionAnchor] = field(default_factory=dict)
    """(joint, segment) -> by what it was found to continue the one before its turns were lost; of
    the segments that begin in this batch, those of which it is known."""


_FRESH_JOINT = JointState()
_REASON_UNCLEAR: Final = "request or response, ambiguous"
_REASON_UNPAIRED: Final = "request or response without its other half"


def decode(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> tuple[Decoded, DecodeState]:
    """Return the readings of a batch of frames, and the state for the next batch."""
    match_number, rejected = dispatch_frames(plan.dispatch, frames)
    echo_states = state.echoes
    if plan.echoes:
        echo_states = _drop_echoes(plan, state.echoes, frames, match_number, rejected)
    words_of_payload = payload_words(frames.data)
    readings: list[ReadingBatch] = []
    out_of_range: dict[tuple[str, str], OutOfRange] = {}
    states: dict[str, JointState] = {}
    notices: list[Notice] = []
    anchors: dict[tuple[str, int], PositionAnchor] = {}
    for joint_plan in plan.joints:
        name = joint_plan.joint.name
        joint_state = state.joints.get(name, _FRESH_JOINT)
        kind_of_frame = joint_plan.kind_of[match_number]
        rows = (kind_of_frame >= 0).nonzero()[0]
        channel_values, segment, states[name], found = _decode_joint(
            joint_plan,
            joint_state,
            frames,
            words_of_payload,
            rows=rows,
            kind=kind_of_frame[rows],
            notices=notices,
        )
        anchors.update({(name, begun.segment): begun.anchor for begun in found})
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
            for channel, its_values, its_outside in zip(
                joint_plan.channels, channel_values, is_outside, strict=True
            ):
                if its_outside.any():
                    first = int(its_outside.argmax())
                    row = int(rows[first])
                    out_of_range[(name, channel)] = OutOfRange(
                        count=int(np.count_nonzero(its_outside)),
                        value=float(its_values[first]),
                        row=row,
                        frame=joint_plan.frames[kind_of_frame[row]].frame.name,
                    )
    notices.sort(key=lambda notice: notice.time_ns)
    return (
        Decoded(
            readings=tuple(readings),
            rejected=rejected,
            out_of_range=out_of_range,
            requests=int(np.count_nonzero(match_number == REQUEST_NUMBER)),
            notices=tuple(notices),
            anchors=anchors,
        ),
        DecodeState(joints=states, echoes=echo_states),
    )


def _drop_echoes(
    plan: DecodePlan,
    states: Mapping[int, EchoState],
    frames: FrameBatch,
    match_number: NDArray[np.int32],
    rejected: dict[str, int],
) -> dict[int, EchoState]:
    """Set `match_number` of requests that look like their response; count ambiguous ones."""
    after: dict[int, EchoState] = {}
    for number, within_ns in plan.echoes.items():
        rows = np.flatnonzero(match_number == number)
        responses, unclear, single, after[number] = is_response(
            frames.time_ns[rows], within_ns=within_ns, state=states.get(number, NO_ECHO_STATE)
        )
        match_number[rows[~responses]] = REQUEST_NUMBER
        for reason, count in ((_REASON_UNCLEAR, unclear), (_REASON_UNPAIRED, single)):
            if count:
                rejected[reason] = rejected.get(reason, 0) + count
    return after


def frame_kinds(plan: DecodePlan, frames: FrameBatch) -> tuple[NDArray[np.int32], ...]:
    """Return for each joint the index in its layout of each of n frames, -1 for none.

    Shape (n,) each; decoded as the first batch.
    """
    match_number, rejected = dispatch_frames(plan.dispatch, frames)
    if plan.echoes:
        _drop_echoes(plan, {}, frames, match_number, rejected)
    return tuple(joint.kind_of[match_number] for joint in plan.joints)


def _decode_joint(
    plan: JointPlan,
    state: JointState,
    frames: FrameBatch,
    words: NDArray[np.uint64],
    *,
    rows: NDArray[np.intp],
    kind: NDArray[np.int32],
    notices: list[Notice],
) -> tuple[Floats, NDArray[np.int32], JointState, Sequence[FoundSegment]]:
    """Return values of shape (channels, rows), segments of the rows, state, found segments."""
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
        if frame_plan.tell:
            text_frames.append((frame_plan.tell, row_indices))
        if not frame_plan.fields.values:
            continue
        raw, scaled, absent = extract_values(
            frame_plan.fields, words, frames.data, rows[row_indices]
        )
        for value_index, sensor in frame_plan.sensors:
            scaled[value_index] = _sensor_temperature(scaled[value_index], sensor)
        if absent is not None:
            scaled[absent] = np.nan
        values[frame_plan.targets, row_indices] = scaled[frame_plan.plain]
        if frame_plan.encoder is not None:
            counts_due = len(row_indices)
            kept_rows = slice(None) if absent is None else ~absent[frame_plan.encoder]
            encoder_counts = row_indices[kept_rows], raw[frame_plan.encoder][kept_rows]
        if frame_plan.position is not None:
            has_position = ~np.isnan(scaled[frame_plan.position])
            segment[row_indices[has_position]] = 0
    restarts: NDArray[np.int64] | None = None
    if plan.tells and len(rows):
        state, restarts = _decode_texts(
            plan, state, frames, text_frames, rows=rows, values=values, notices=notices
        )
        if restarts is not None and not plan.counts:
            has_segment = segment >= 0
            segment[has_segment] = restarts[has_segment]
    found: Sequence[FoundSegment] = ()
    if plan.counts and len(rows):
        state, found = fill_position(
            plan,
            state,
            encoder_counts,
            counts_due=counts_due,
            time_ns=frames.time_ns[rows],
            values=values,
            segment=segment,
            restarts=restarts,
        )
    if plan.derived is not None:
        torque, current, per_ampere = plan.derived
        values[torque] = values[current] * per_ampere
    # A zero that a factor turned round, or that a drive sends so, is no negative one.
    values += 0.0
    return values, segment, state, found


def _decode_texts(
    plan: JointPlan,
    state: JointState,
    frames: FrameBatch,
    text_frames: Sequence[tuple[TextPlan, NDArray[np.intp]]],
    *,
    rows: NDArray[np.intp],
    values: Floats,
    notices: list[Notice],
) -> tuple[JointState, NDArray[np.int64] | None]:
    """Append the joint's text notices; return the state and the restarts counted up to each row.

    The count has shape (rows,); None: the joint never restarted.
    """
    text_state = state.text
    restarted: NDArray[np.bool_] | None = None
    for what, places in text_frames:
        codes = {channel: values[plan.channels.index(channel), places] for channel in what.codes}
        if not what.parts and all(
            text_state.is_repeated(channel, repeated) for channel, repeated in codes.items()
        ):
            continue
        more, restarts, text_state = decode_texts(
            what,
            text_state,
            joint=plan.joint.name,
            time_ns=frames.time_ns[rows[places]],
            values=codes,
            data=frames.data[rows[places]],
        )
        notices += more
        if restarts.any():
            if restarted is None:
                restarted = np.zeros(len(rows), bool)
            restarted[places] = restarts
    if text_state is not state.text:
        state = replace(state, text=text_state)
    if restarted is not None:
        count = state.restarts + np.cumsum(restarted)
        return replace(state, restarts=int(count[-1])), count
    return state, np.full(len(rows), state.restarts) if state.restarts else None


def _sensor_temperature(ohm: Floats, sensor: str | Ntc) -> Floats:
    if isinstance(sensor, Ntc):
        return ntc_degC(ohm, r25_ohm=sensor.r25_ohm, b_K=sensor.b_K)
    return pt100_degC(ohm)
