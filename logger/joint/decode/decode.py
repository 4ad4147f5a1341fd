"""Frame batch -> readings of every joint, vectorised.

Conversions are chosen once, when the plan is made from the bench; a batch then costs a few array
operations for each kind of frame. A frame that cannot be decoded is counted under its reason, never
an exception. Pure: the state of the encoders goes in and comes back, so any chunking of the frames
gives the same readings. `owners` says whose a frame is, `fields` reads its bits.
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
from logger.joint.bench.scaling import Worth, worth_of
from logger.joint.bench.value import Ntc
from logger.joint.channels import CHANNELS
from logger.joint.decode.bit_fields import Fields, fields_for, quantities, words_of
from logger.joint.decode.dispatch import ASKED, OwnerPlan, owners_for, owners_of
from logger.joint.decode.loopback import FRESH as FRESH_ECHO
from logger.joint.decode.loopback import EchoState, answers
from logger.joint.decode.resistance import ntc_degC, pt100_degC
from logger.joint.decode.text_codes import Notice, TellPlan, TellState, tell, tell_plan
from logger.joint.decode.unwrap import TurnState, unwrap

__all__ = [
    "DecodePlan",
    "DecodeState",
    "Decoded",
    "decode",
    "frame_of",
    "kinds_of",
    "plan_for",
    "resumed",
]

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
    tell: TellPlan


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
    derived: tuple[int, int, float] | None
    """Place of a torque that comes from the current, place of that, and N.m per ampere."""
    counts: int
    """Counts of one turn of the joint's single-turn encoder; 0: it has none."""
    worth: Worth
    """What one count is worth at the output, in rad; the offset is that of the joint's zero."""
    known_for_ns: int
    """The longest silence over which the turns of the encoder are believed."""
    tells: bool
    """Any of its frames tells something in words."""
    speed_apart: bool
    """The speed stands in another frame than the single-turn count."""
    speed_beside: bool
    """It stands in the same frame, and in no other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodePlan:
    """How the frames of a bench are decoded; made once."""

    owners: OwnerPlan
    joints: tuple[_JointPlan, ...]
    echoes: Mapping[int, int]
    """Owner whose request looks like it -> how long after that it comes at most, in ns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _JointState:
    turns: TurnState = field(default_factory=TurnState)
    told: TellState = field(default_factory=TellState)
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
    echoes: Mapping[int, EchoState] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """What became of a batch of frames."""

    readings: tuple[ReadingBatch, ...]
    """One for each joint of the bench, in its order; empty where it said nothing."""
    rejected: Mapping[str, int]
    """Reason in words -> frames that were not decoded for it."""
    strange: Mapping[tuple[str, str], int]
    """(joint, channel) -> decoded values outside the channel's valid range; they are kept."""
    requests: int = 0
    """Frames that another controller asked the joints with."""
    notices: tuple[Notice, ...] = ()
    """What the joints said in words, in order of time."""


_FRESH = _JointState()
_EVER_NS: Final = 2**62
"""An encoder that counts its turns itself knows them after any silence."""
_UNCLEAR: Final = "request or answer, cannot be told"
_SINGLE: Final = "request or answer without its other half"


def plan_for(bench: Bench, *, asking: bool | None = None) -> DecodePlan:
    """Return how the frames of `bench` are decoded.

    `asking`: this program sent the requests, so that what looks like one is the answer; left out,
    that is what the bench file says of each bus (`send`).
    """
    owners = owners_for(bench)
    number_of = owners.number_of
    joints = []
    echoes: dict[int, int] = {}
    for joint in bench.joints:
        layout = bench.layout_of(joint)
        kind_of = np.full(len(owners.claims) + 2, -1, np.int32)
        sends = bench.buses[bench.bus_of(joint)].send if asking is None else asking
        for place, (frame, claim) in enumerate(
            zip(layout.frame, bench.claims_of(joint), strict=True)
        ):
            owner = number_of[claim]
            kind_of[owner] = place
            if frame.echo_within_s is not None and not sends:
                echoes[owner] = round(frame.echo_within_s * 1e9)
        joints.append(_joint_plan(bench, joint, layout, kind_of))
    return DecodePlan(owners=owners, joints=tuple(joints), echoes=echoes)


def _joint_plan(
    bench: Bench, joint: JointSettings, layout: Layout, kind_of: NDArray[np.int32]
) -> _JointPlan:
    channels = bench.channels_of(joint)
    encoder = next(
        (value for frame in layout.frame for value in frame.value if value.encoder), None
    )
    known = [CHANNELS[channel] for channel in channels]
    apart = _speed_apart(layout)
    speeds = sum(value.channel == "speed_rad_s" for frame in layout.frame for value in frame.value)
    frames = tuple(_frame_plan(frame, joint, channels) for frame in layout.frame)
    many_turns = encoder is not None and encoder.encoder is not None and encoder.encoder.turns > 1
    return _JointPlan(
        joint=joint,
        channels=channels,
        frames=frames,
        kind_of=kind_of,
        lowest=np.array([[channel.lowest] for channel in known]).reshape(-1, 1),
        highest=np.array([[channel.highest] for channel in known]).reshape(-1, 1),
        derived=_derived(bench, joint, channels),
        counts=encoder.encoder.modulus if encoder and encoder.encoder else 0,
        worth=worth_of(encoder, joint, where=joint.name)
        if encoder
        else Worth(factor=1.0, offset=0.0),
        known_for_ns=_EVER_NS if many_turns else round(joint.turns_known_for_s * 1e9),
        tells=any(frame.tell for frame in frames),
        speed_apart=apart,
        speed_beside=not apart and speeds == 1,
    )


def _frame_plan(frame: Frame, joint: JointSettings, channels: tuple[str, ...]) -> _FramePlan:
    values = frame.value
    encoder = next((place for place, value in enumerate(values) if value.encoder), None)
    plain = [place for place in range(len(values)) if place != encoder]
    worths = [worth_of(value, joint, where=joint.name) for value in values]
    return _FramePlan(
        frame=frame,
        fields=fields_for(values, [(worth.factor, worth.offset) for worth in worths]),
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
        tell=tell_plan(frame),
    )


def _derived(
    bench: Bench, joint: JointSettings, channels: tuple[str, ...]
) -> tuple[int, int, float] | None:
    if joint.torque is None or not bench.derives_torque(joint) or "torque_Nm" not in channels:
        return None
    return channels.index("torque_Nm"), channels.index("current_A"), joint.torque.per_ampere


def _speed_apart(layout: Layout) -> bool:
    return not any(
        any(value.encoder is not None for value in frame.value)
        and any(value.channel == "speed_rad_s" for value in frame.value)
        for frame in layout.frame
    )


def decode(plan: DecodePlan, state: DecodeState, frames: FrameBatch) -> tuple[Decoded, DecodeState]:
    """Return the readings of a batch of frames, and the state for the next batch."""
    owner, rejected = owners_of(plan.owners, frames)
    echoes = state.echoes
    if plan.echoes:
        echoes = _told_apart(plan, state.echoes, frames, owner, rejected)
    words = words_of(frames.data)
    readings: list[ReadingBatch] = []
    strange: dict[tuple[str, str], int] = {}
    states: dict[str, _JointState] = {}
    notices: list[Notice] = []
    for joint_plan in plan.joints:
        name = joint_plan.joint.name
        before = state.joints.get(name, _FRESH)
        every = joint_plan.kind_of[owner]
        rows = (every >= 0).nonzero()[0]
        values, segment, states[name] = _joint_values(
            joint_plan, before, frames, words, rows=rows, kind=every[rows], notices=notices
        )
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
    notices.sort(key=lambda notice: notice.time_ns)
    return (
        Decoded(
            readings=tuple(readings),
            rejected=rejected,
            strange=strange,
            requests=int(np.count_nonzero(owner == ASKED)),
            notices=tuple(notices),
        ),
        DecodeState(joints=states, echoes=echoes),
    )


def _told_apart(
    plan: DecodePlan,
    states: Mapping[int, EchoState],
    frames: FrameBatch,
    owner: NDArray[np.int32],
    rejected: dict[str, int],
) -> dict[int, EchoState]:
    """Take requests that look like their answer out of `owner`; count what cannot be told."""
    after: dict[int, EchoState] = {}
    for number, within_ns in plan.echoes.items():
        rows = np.flatnonzero(owner == number)
        answer, unclear, single, after[number] = answers(
            frames.time_ns[rows], within_ns=within_ns, state=states.get(number, FRESH_ECHO)
        )
        owner[rows[~answer]] = ASKED
        for reason, count in ((_UNCLEAR, unclear), (_SINGLE, single)):
            if count:
                rejected[reason] = rejected.get(reason, 0) + count
    return after


def kinds_of(plan: DecodePlan, frames: FrameBatch) -> tuple[NDArray[np.int32], ...]:
    """Return for each joint which kind of frame each is: place in its layout, -1 for none.

    Shape (n,) each; as `decode` takes them where nothing came before.
    """
    owner, rejected = owners_of(plan.owners, frames)
    if plan.echoes:
        _told_apart(plan, {}, frames, owner, rejected)
    return tuple(joint.kind_of[owner] for joint in plan.joints)


def frame_of(plan: DecodePlan, frames: FrameBatch) -> Frame:
    """Return the frame of the layout that the first of `frames` fits; KeyError for none."""
    owner = int(owners_of(plan.owners, frames)[0][0])
    for joint in plan.joints:
        place = int(joint.kind_of[owner])
        if place >= 0:
            return joint.frames[place].frame
    raise KeyError(owner)


def resumed(segments: Mapping[str, int]) -> DecodeState:
    """Return the state with which a recording is gone on with.

    `segments` names the newest position segment of each joint. Nobody counted turns in between, so
    an encoder's next reading begins a segment after that one.
    """
    return DecodeState(
        joints={
            joint: _JointState(
                turns=TurnState(time_ns=-(2**62), segment=segment),
                restarts=segment,
                restarts_counted=segment,
            )
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
    notices: list[Notice],
) -> tuple[Floats, NDArray[np.int32], _JointState]:
    """Return values of shape (channels, rows), the segment of each row, and the state after."""
    values = np.empty((len(plan.channels), len(rows)))
    values.fill(np.nan)
    segment = np.empty(len(rows), np.int32)
    segment.fill(-1)
    counted: tuple[NDArray[np.intp], NDArray[np.int64]] | None = None
    counts_due = 0
    speaking: list[tuple[TellPlan, NDArray[np.intp]]] = []
    for number, frame_plan in enumerate(plan.frames):
        places = (kind == number).nonzero()[0]
        if len(places) == 0:
            continue
        if frame_plan.tell:
            speaking.append((frame_plan.tell, places))
        if not frame_plan.fields.values:
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
    restarts: NDArray[np.int64] | None = None
    if plan.tells and len(rows):
        state, restarts = _take_words(
            plan, state, frames, speaking, rows=rows, values=values, notices=notices
        )
        if restarts is not None and not plan.counts:
            placed = segment >= 0
            segment[placed] = restarts[placed]
    if plan.counts and len(rows):
        state = _take_turns(
            plan,
            state,
            counted,
            counts_due=counts_due,
            time_ns=frames.time_ns[rows],
            values=values,
            segment=segment,
            restarts=restarts,
        )
    if plan.derived is not None:
        torque, current, per_ampere = plan.derived
        values[torque] = values[current] * per_ampere
    return values, segment, state


def _take_words(
    plan: _JointPlan,
    state: _JointState,
    frames: FrameBatch,
    speaking: Sequence[tuple[TellPlan, NDArray[np.intp]]],
    *,
    rows: NDArray[np.intp],
    values: Floats,
    notices: list[Notice],
) -> tuple[_JointState, NDArray[np.int64] | None]:
    """Add what the joint says in words; return the state, and how often it restarted by each row.

    None for the latter: it never did.
    """
    told = state.told
    restarted: NDArray[np.bool_] | None = None
    for what, places in speaking:
        codes = {channel: values[plan.channels.index(channel), places] for channel in what.codes}
        if not what.parts and all(
            told.repeats(channel, repeated) for channel, repeated in codes.items()
        ):
            continue
        more, restarts, told = tell(
            what,
            told,
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
    if told is not state.told:
        state = replace(state, told=told)
    if restarted is not None:
        count = state.restarts + np.cumsum(restarted)
        return replace(state, restarts=int(count[-1])), count
    return state, np.full(len(rows), state.restarts) if state.restarts else None


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
    restarts: NDArray[np.int64] | None,
) -> _JointState:
    """Fill position and segment of the rows that carry a count; return the state after them.

    `counts_due`: rows that carry one, unless it says "no value". `restarts`: how often the joint
    was switched on by each row, None for never.
    """
    known_for_ns = round(plan.joint.turns_known_for_s * 1e9)
    broken = None
    if restarts is not None and counted is not None and len(counted[0]):
        known = restarts[counted[0]]
        broken = np.diff(known, prepend=state.restarts_counted) > 0
        state = replace(state, restarts_counted=int(known[-1]))
    if plan.speed_beside and counted is not None and len(counted[0]) == counts_due:
        beside = values[plan.channels.index("speed_rad_s")][counted[0]] / plan.worth.factor
        if not np.isnan(beside).any():
            turns = _counted(
                plan,
                state,
                counted,
                beside,
                time_ns=time_ns,
                values=values,
                segment=segment,
                broken=broken,
            )
            return _behind(state, turns, turns.speed_counts_s, turns.time_ns)
    if "speed_rad_s" in plan.channels:
        # One count is worth `worth` rad at the output, so this is the encoder's own speed.
        speed = values[plan.channels.index("speed_rad_s")] / plan.worth.factor
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
            plan,
            state,
            counted,
            held[counted[0]],
            time_ns=time_ns,
            values=values,
            segment=segment,
            broken=broken,
        )
    return _behind(
        state,
        turns,
        float(speed[newest]) if newest >= 0 else state.speed_counts_s,
        int(time_ns[newest]) if newest >= 0 else state.speed_time_ns,
    )


def _behind(
    state: _JointState, turns: TurnState, speed_counts_s: float, speed_time_ns: int
) -> _JointState:
    """Return the state with other turns and speed; `replace` would cost a twentieth of a batch."""
    return _JointState(
        turns=turns,
        told=state.told,
        restarts=state.restarts,
        restarts_counted=state.restarts_counted,
        speed_counts_s=speed_counts_s,
        speed_time_ns=speed_time_ns,
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
    broken: NDArray[np.bool_] | None,
) -> TurnState:
    """Fill position and segment where there is a count; `speed_counts_s` is that at each count."""
    places, count = counted
    total, segments, turns = unwrap(
        time_ns[places],
        count,
        speed_counts_s,
        modulus=plan.counts,
        known_for_ns=plan.known_for_ns,
        state=state.turns,
        speed_apart=plan.speed_apart,
        broken=broken,
    )
    position = total * plan.worth.factor
    if plan.worth.offset:
        position += plan.worth.offset
    values[plan.channels.index("position_rad"), places] = position
    segment[places] = segments
    return turns
