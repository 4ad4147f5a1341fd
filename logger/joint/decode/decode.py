"""Frame batch -> readings of every joint, vectorised.

Conversions are chosen once, when the plan is made from the bench; a batch then costs a few dozen
array operations, for all joints and kinds of frame together. A frame that cannot be decoded is
counted under its reason, never an exception. Pure: the state of the encoders goes in and comes
back, so any chunking of the frames gives the same readings. `dispatch` finds what a frame is,
`bit_fields` reads its bits, `steady_turns` follows the encoders.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.event_kind import PositionAnchor
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.decode.bit_fields import extract_fields
from logger.joint.decode.checksums import drop_damaged
from logger.joint.decode.decode_plan import DecodePlan, decode_plan
from logger.joint.decode.decode_state import DecodeState, JointState, state_for_resume
from logger.joint.decode.dispatch import REQUEST_NUMBER, dispatch_frames
from logger.joint.decode.encoder_position import fill_positions
from logger.joint.decode.frame_faults import FrameFaults, check_frames
from logger.joint.decode.joint_rows import JointRows, rows_by_joint
from logger.joint.decode.joint_texts import decode_joint_texts
from logger.joint.decode.loopback import NO_ECHO_STATE, EchoState, is_response
from logger.joint.decode.steady_turns import look_at_held
from logger.joint.decode.text_codes import Notice

__all__ = [
    "DecodePlan",
    "DecodeState",
    "Decoded",
    "OutOfRange",
    "decode",
    "decode_plan",
    "frame_kinds",
    "settled_state",
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
    faults: tuple[FrameFaults, ...] = ()
    """Damaged frames, and frames that are missing, where the layout has checksums or counters."""


_FRESH_JOINT = JointState()
_REASON_UNCLEAR: Final = "request or response, ambiguous"
_REASON_UNPAIRED: Final = "request or response without its other half"


def decode(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> tuple[Decoded, DecodeState]:
    """Return the readings of a batch of frames, and the state for the next batch."""
    match_number, rejected = dispatch_frames(plan.dispatch, frames)
    echo_states, counters = state.echoes, state.counters
    if plan.echoes:
        echo_states = _drop_echoes(plan, state.echoes, frames, match_number, rejected)
    faults: tuple[FrameFaults, ...] = ()
    if plan.dispatch.checksums or plan.dispatch.counters:
        faults, counters = check_frames(plan, counters, frames, match_number, rejected)
    rows = rows_by_joint(plan, frames, match_number)
    extracted = extract_fields(plan.fields, frames.data, rows.frame, rows.kind)
    values = extracted.values
    states = [state.joints.get(joint.joint.name, _FRESH_JOINT) for joint in plan.joints]
    notices, restarts = decode_joint_texts(plan, states, rows, values, frames.data)
    if len(notices) > 1:
        notices.sort(key=lambda notice: notice.time_ns)
    segment = np.empty(len(rows.kind), np.int32)
    segment.fill(-1)
    found, is_usual = fill_positions(plan, states, rows, extracted, segment, restarts=restarts)
    names = [joint.joint.name for joint in plan.joints]
    return (
        Decoded(
            readings=tuple(
                ReadingBatch(
                    joint=joint.joint.name,
                    time_ns=rows.time_ns[first:end],
                    position_segment=segment[first:end],
                    columns=dict(zip(joint.channels, values[joint.rows, first:end], strict=True)),
                )
                for joint, (first, end) in zip(plan.joints, rows.spans, strict=True)
            ),
            rejected=rejected,
            out_of_range={} if is_usual else _out_of_range(plan, rows, values),
            # Where every frame is a row, none is a request.
            requests=0
            if rows.frame is None
            else int(np.count_nonzero(match_number == REQUEST_NUMBER)),
            notices=tuple(notices),
            anchors={
                (names[joint], begun.segment): begun.anchor
                for joint, begins in found.items()
                for begun in begins
            },
            faults=faults,
        ),
        DecodeState(
            joints=dict(zip(names, states, strict=True)), echoes=echo_states, counters=counters
        ),
    )


def settled_state(plan: DecodePlan, state: DecodeState) -> DecodeState:
    """Return a state with everything looked at that is held until it is needed.

    It decodes what follows as the state itself does; two of the same frames are equal, in whatever
    batches they came.
    """
    return replace(
        state,
        joints={
            joint.joint.name: look_at_held(joint, state.joints[joint.joint.name])
            for joint in plan.joints
            if joint.joint.name in state.joints
        },
    )


def _out_of_range(
    plan: DecodePlan, rows: JointRows, values: Floats
) -> dict[tuple[str, str], OutOfRange]:
    """Return what lies outside its channel's valid range."""
    outside: dict[tuple[str, str], OutOfRange] = {}
    for joint, (first, end) in zip(plan.joints, rows.spans, strict=True):
        its_values = values[joint.rows, first:end]
        # NaN is neither below nor above.
        is_outside = (its_values < joint.lowest) | (its_values > joint.highest)
        if not is_outside.any():
            continue
        for channel, channel_values, channel_outside in zip(
            joint.channels, its_values, is_outside, strict=True
        ):
            if channel_outside.any():
                place = int(channel_outside.argmax())
                kind = int(rows.kind[first + place])
                outside[joint.joint.name, channel] = OutOfRange(
                    count=int(np.count_nonzero(channel_outside)),
                    value=float(channel_values[place]),
                    row=int(rows.frames_at(np.array([first + place]))[0]),
                    frame=joint.frames[kind - joint.first_kind].frame.name,
                )
    return outside


def _drop_echoes(
    plan: DecodePlan,
    states: Mapping[int, EchoState],
    frames: FrameBatch,
    match_number: NDArray[np.intp],
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
    drop_damaged(plan.dispatch.checksums, frames, match_number)
    return tuple(joint.kind_of[match_number] for joint in plan.joints)
