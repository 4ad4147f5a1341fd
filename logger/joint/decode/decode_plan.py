"""How the frames of a bench are decoded: chosen once, so that a batch costs a few array operations.

Pure. `decode` goes by it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, Floats, to_ns
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.layout import Frame, Layout
from logger.joint.bench.scaling import Scaling, scaling_of
from logger.joint.bench.value import Ntc
from logger.joint.channels import CHANNELS
from logger.joint.decode.bit_fields import BitFields, bit_fields
from logger.joint.decode.dispatch import DispatchTable, bench_dispatch_table
from logger.joint.decode.text_codes import TextPlan, text_plan

__all__ = ["DecodePlan", "FramePlan", "JointPlan", "decode_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FramePlan:
    """One kind of frame of a joint."""

    frame: Frame
    fields: BitFields
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
    tell: TextPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPlan:
    """All kinds of frames of one joint, and what is made of their values."""

    joint: JointSettings
    channels: tuple[str, ...]
    frames: tuple[FramePlan, ...]
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
    worth: Scaling
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

    owners: DispatchTable
    joints: tuple[JointPlan, ...]
    echoes: Mapping[int, int]
    """Owner whose request looks like it -> how long after that it comes at most, in ns."""


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
                echo_windows_ns[match_number] = to_ns(frame.echo_within_s)
        joints.append(_joint_plan(bench, joint, layout, kind_of))
    return DecodePlan(owners=dispatch, joints=tuple(joints), echoes=echo_windows_ns)


def _joint_plan(
    bench: Bench, joint: JointSettings, layout: Layout, kind_of: NDArray[np.int32]
) -> JointPlan:
    channels = bench.channels_of(joint)
    encoder = next(
        (value for frame in layout.frame for value in frame.value if value.encoder), None
    )
    known = [CHANNELS[channel] for channel in channels]
    apart = _is_speed_apart(layout)
    speeds = sum(value.channel == "speed_rad_s" for frame in layout.frame for value in frame.value)
    frames = tuple(_frame_plan(frame, joint, channels) for frame in layout.frame)
    many_turns = encoder is not None and encoder.encoder is not None and encoder.encoder.turns > 1
    return JointPlan(
        joint=joint,
        channels=channels,
        frames=frames,
        kind_of=kind_of,
        lowest=np.array([[channel.lowest] for channel in known]).reshape(-1, 1),
        highest=np.array([[channel.highest] for channel in known]).reshape(-1, 1),
        derived=_derived_torque_plan(bench, joint, channels),
        counts=encoder.encoder.modulus if encoder and encoder.encoder else 0,
        worth=scaling_of(encoder, joint, where=joint.name)
        if encoder
        else Scaling(factor=1.0, offset=0.0),
        # An encoder that counts its turns itself knows them after any silence.
        known_for_ns=TIME_MAX_NS if many_turns else to_ns(joint.turns_known_for_s),
        tells=any(frame.tell for frame in frames),
        speed_apart=apart,
        speed_beside=not apart and speeds == 1,
    )


def _frame_plan(frame: Frame, joint: JointSettings, channels: tuple[str, ...]) -> FramePlan:
    values = frame.value
    encoder = next((place for place, value in enumerate(values) if value.encoder), None)
    plain = [place for place in range(len(values)) if place != encoder]
    worths = [scaling_of(value, joint, where=joint.name) for value in values]
    return FramePlan(
        frame=frame,
        fields=bit_fields(values, [(worth.factor, worth.offset) for worth in worths]),
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
