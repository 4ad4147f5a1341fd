"""The plan of decoding a bench: made once, so that a batch costs a few array operations. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, Floats, to_ns
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.layout import Frame, Layout
from logger.joint.bench.scaling import Scaling, scaling_of
from logger.joint.bench.value import Ntc, Value
from logger.joint.channels import channel_named
from logger.joint.decode.bit_fields import BitFields, bit_fields
from logger.joint.decode.dispatch import DispatchTable, bench_dispatch_table
from logger.joint.decode.text_codes import TextPlan, text_plan
from logger.joint.decode.turn_memory import FindPlan

__all__ = ["SETPOINT", "DecodePlan", "FramePlan", "JointPlan", "decode_plan"]

SETPOINT: Final = "position_setpoint_rad"


@dataclass(frozen=True, slots=True, kw_only=True)
class FramePlan:
    """One kind of frame of a joint."""

    frame: Frame
    fields: BitFields
    encoder: int | None
    """Index of the value that is a single-turn encoder; None: there is none."""
    plain: NDArray[np.intp] | slice
    """Indices of the values that are stored as scaled: all but the encoder."""
    targets: NDArray[np.intp]
    """The joint's channel that each of those is stored in, shape (plain, 1)."""
    sensors: tuple[tuple[int, str | Ntc], ...]
    """(index, sensor) of the values that are resistances."""
    position: int | None
    """Index of a position that needs no unwrapping; None: there is none."""
    tell: TextPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPlan:
    """All kinds of frames of one joint, and the conversions of their values."""

    joint: JointSettings
    channels: tuple[str, ...]
    frames: tuple[FramePlan, ...]
    kind_of: NDArray[np.int32]
    """Shape (matches + 2,): index in `frames` by match number, -1 for none; the last two
    entries are for -2 (a request) and -1 (no match)."""
    lowest: Floats
    """Valid range of each channel, shape (channels, 1)."""
    highest: Floats
    derived: tuple[int, int, float] | None
    """Index of a torque computed from the current, index of the current, N.m per ampere."""
    counts: int
    """Counts of one turn of the joint's single-turn encoder; 0: it has none."""
    position_scaling: Scaling
    """One encoder count at the output, in rad; the offset is that of the joint's zero."""
    known_for_ns: int
    """The longest silence after which the turns of the encoder are still taken as known."""
    find: FindPlan | None
    """How lost turns are found again; None: they cannot be."""
    tells: bool
    """Whether any of its frames has text fields."""
    speed_apart: bool
    """The speed comes in another frame than the single-turn count."""
    speed_with_count: bool
    """It comes in the frame of the count, and in no other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodePlan:
    """How the frames of a bench are decoded; computed once, when the bench is read."""

    dispatch: DispatchTable
    joints: tuple[JointPlan, ...]
    echoes: Mapping[int, int]
    """Match number of a response that looks like its request -> its longest delay, in ns."""


def decode_plan(bench: Bench, *, with_requests: bool | None = None) -> DecodePlan:
    """Return how the frames of `bench` are decoded.

    `with_requests`: this program sent the requests, so a frame that looks like one is the
    response. None: `send` of each bus of the bench file.
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
                echo_windows_ns[match_number] = to_ns(frame.echo_within_s)
        joints.append(_joint_plan(bench, joint, layout, kind_of))
    return DecodePlan(dispatch=dispatch, joints=tuple(joints), echoes=echo_windows_ns)


def _joint_plan(
    bench: Bench, joint: JointSettings, layout: Layout, kind_of: NDArray[np.int32]
) -> JointPlan:
    channels = bench.channels_of(joint)
    encoder = next(
        (value for frame in layout.frame for value in frame.value if value.encoder), None
    )
    channel_specs = [channel_named(channel) for channel in channels]
    speed_apart = _is_speed_apart(layout)
    speed_values = sum(
        value.channel == "speed_rad_s" for frame in layout.frame for value in frame.value
    )
    frames = tuple(_frame_plan(frame, joint, channels) for frame in layout.frame)
    many_turns = encoder is not None and encoder.encoder is not None and encoder.encoder.turns > 1
    return JointPlan(
        joint=joint,
        channels=channels,
        frames=frames,
        kind_of=kind_of,
        lowest=np.array([[channel.lowest] for channel in channel_specs]).reshape(-1, 1),
        highest=np.array([[channel.highest] for channel in channel_specs]).reshape(-1, 1),
        derived=_derived_torque_plan(bench, joint, channels),
        counts=encoder.encoder.modulus if encoder and encoder.encoder else 0,
        position_scaling=scaling_of(encoder, joint, where=joint.name)
        if encoder
        else Scaling(factor=1.0, offset=0.0),
        # An encoder that counts its turns itself knows them after any silence.
        known_for_ns=TIME_MAX_NS if many_turns else to_ns(joint.turns_known_for_s),
        find=_find_plan(bench, joint, channels, encoder),
        tells=any(frame.tell for frame in frames),
        speed_apart=speed_apart,
        speed_with_count=not speed_apart and speed_values == 1,
    )


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
    )


def _frame_plan(frame: Frame, joint: JointSettings, channels: tuple[str, ...]) -> FramePlan:
    values = frame.value
    encoder = next((index for index, value in enumerate(values) if value.encoder), None)
    plain = [index for index in range(len(values)) if index != encoder]
    scalings = [scaling_of(value, joint, where=joint.name) for value in values]
    return FramePlan(
        frame=frame,
        fields=bit_fields(values, [(scaling.factor, scaling.offset) for scaling in scalings]),
        encoder=encoder,
        plain=slice(None) if encoder is None else np.array(plain, np.intp),
        targets=np.array(
            [[channels.index(values[index].channel)] for index in plain], np.intp
        ).reshape(-1, 1),
        sensors=tuple(
            (index, value.resistance)
            for index, value in enumerate(values)
            if value.resistance is not None
        ),
        position=next(
            (
                index
                for index, value in enumerate(values)
                if value.channel == "position_rad" and index != encoder
            ),
            None,
        ),
        tell=text_plan(frame),
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
