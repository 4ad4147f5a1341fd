"""Statistics of one bus over some seconds: load, senders, frames that are not decoded.

From the received frames and the bench; diagnosis.py evaluates them. Pure and vectorised.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from logger.arrays import Ints, to_s
from logger.joint.batch import ERROR, FD, REMOTE, FrameBatch, is_node_frame
from logger.joint.bench.bench import Bench, BusSettings, JointSettings
from logger.joint.bench.identifiers import exact_mask, identifier_for
from logger.joint.bench.layout import Frame, Request
from logger.joint.channels import channel_named
from logger.joint.decode.dispatch import DispatchTable, bench_dispatch_table, dispatch_frames
from logger.traffic.cadence import FrameKind, FrameRole, MessageStats, flooding_frame, message_stats
from logger.traffic.error_classes import ERROR_FRAME_INTERFACES, count_error_classes
from logger.traffic.frame_length import bus_load, frame_bits
from logger.traffic.response_tracker import ResponsePlan, ResponseTracker, foreign_requests
from logger.traffic.response_tracker import response_plan as answer_plan_for

__all__ = ["BusStatistics", "StatisticsPlan", "bus_statistics", "statistics_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusStatistics:
    """Statistics of one bus of the bench over a span of listening."""

    settings: BusSettings
    """As the bench file has them."""
    span_s: float
    frames: int
    """Data and remote frames; error frames count apart."""
    frames_per_s: float
    load: float | None
    """Share of the time that the frames keep the bus busy, 0.4 is 40 %; None without a bit rate.
    With CAN FD frames an upper bound: the bit rate of their data is not known."""
    fd_frames: int
    remote_frames: int
    error_frames: int
    garbled: int = 0
    """Lines or frames of the adapter that could not be read."""
    error_classes: Mapping[str, int] = field(default_factory=dict)
    """Class of error in words -> error frames; empty where the adapter does not report it."""
    messages: tuple[MessageStats, ...] = ()
    undecoded: Mapping[str, int] = field(default_factory=dict)
    """Reason in words -> frames that are not decoded for it."""
    joints: tuple[str, ...] = ()
    """The bench's joints on this bus."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """Joint of the bench -> what people call it, for sentences."""
    silent: tuple[str, ...] = ()
    """Joints without a decoded frame; set-points that are sent to them do not count."""
    only_requested: tuple[str, ...] = ()
    """Those of them that, by their layout, report only on request."""
    request_counts: Mapping[str, int] = field(default_factory=dict)
    """Joint -> requests of another node to it whose response is known to have come or not; a joint
    whose answers look like the requests is left out."""
    unanswered_counts: Mapping[str, int] = field(default_factory=dict)
    """Joint -> requests without a response in time; the same joints."""
    on_other_bus: Mapping[str, str] = field(default_factory=dict)
    """A silent joint -> name of another bus, on which its frames were received."""
    flooding: MessageStats | None = None
    """The sender that repeats one frame without a pause; None: there is none."""

    def label_of(self, joint: str) -> str:
        """Return what people call a joint."""
        return self.labels.get(joint, joint)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatisticsPlan:
    """What statistics of a bench need beside frames; computed once, used every second."""

    bench: Bench
    dispatch: DispatchTable
    kinds: tuple[FrameKind, ...]
    response_plans: tuple[ResponsePlan, ...]
    """Of each bus the expected responses to its requests."""


def statistics_plan(bench: Bench) -> StatisticsPlan:
    """Return the plan of a bench's statistics."""
    return StatisticsPlan(
        bench=bench,
        dispatch=bench_dispatch_table(bench),
        kinds=_bench_frame_kinds(bench),
        response_plans=tuple(
            answer_plan_for(bench, bus=bus_index) for bus_index in range(len(bench.buses))
        ),
    )


def bus_statistics(
    frames: FrameBatch,
    plan: StatisticsPlan,
    *,
    start_ns: int,
    end_ns: int,
    garbled: Sequence[int] = (),
    bits: Ints | None = None,
) -> tuple[BusStatistics, ...]:
    """Return the statistics of each bus of the bench, in its order.

    Parameters
    ----------
    frames
        What the buses gave from `start_ns` to `end_ns`; in order of time for each bus.
    garbled
        Lines or frames of each bus that could not be read meanwhile; () where none is known.
    bits
        The bit times of each frame, shape (n,), where they were computed already.
    """
    bits = frame_bits(frames) if bits is None else bits
    statistics = (
        _one_bus_statistics(
            frames,
            bits,
            plan,
            bus_index=bus_index,
            start_ns=start_ns,
            end_ns=end_ns,
        )
        for bus_index in range(len(plan.bench.buses))
    )
    return tuple(
        replace(of_bus, garbled=count)
        for of_bus, count in zip(statistics, garbled or (0,) * len(plan.bench.buses), strict=True)
    )


def _one_bus_statistics(
    all_frames: FrameBatch,
    all_bits: Ints,
    plan: StatisticsPlan,
    *,
    bus_index: int,
    start_ns: int,
    end_ns: int,
) -> BusStatistics:
    bench = plan.bench
    settings = bench.buses[bus_index]
    frames, bits = all_frames, all_bits
    is_here = all_frames.bus == bus_index
    if np.count_nonzero(is_here) < len(is_here):
        frames, bits = all_frames.select_rows(is_here), all_bits[is_here]
    match_number, rejected = dispatch_frames(plan.dispatch, frames)
    match_number = np.maximum(match_number, -1)  # a request of a layout is no frame of a joint
    span_s = to_s(max(end_ns - start_ns, 1))
    count = int(np.count_nonzero(is_node_frame(frames)))
    messages = message_stats(
        frames, match_number, frame_kinds=plan.kinds, start_ns=start_ns, end_ns=end_ns
    )
    # A sensor is on no bus.
    joints = [
        joint
        for joint in bench.joints
        if bench.bus_of(joint) == bus_index and joint.name not in bench.sensors
    ]
    silent = _silent_joints(joints, messages)
    tracker = _count_responses(plan.response_plans[bus_index], frames, end_ns=end_ns)
    return BusStatistics(
        settings=settings,
        span_s=span_s,
        frames=count,
        frames_per_s=count / span_s,
        load=None
        if settings.bitrate is None
        else bus_load(bits, bitrate=settings.bitrate, span_s=span_s),
        fd_frames=int(np.count_nonzero(frames.flags & FD)),
        remote_frames=int(np.count_nonzero((frames.flags & (REMOTE | ERROR)) == REMOTE)),
        error_frames=len(frames) - count,
        error_classes=count_error_classes(frames)
        if settings.interface in ERROR_FRAME_INTERFACES
        else {},
        messages=messages,
        undecoded=rejected,
        joints=tuple(joint.name for joint in joints),
        labels=bench.labels,
        silent=silent,
        only_requested=tuple(joint.name for joint in joints if bench.layout_of(joint).request),
        request_counts={joint: count for joint, count in tracker.completed_counts.items() if count},
        unanswered_counts={
            joint: tracker.missed_counts[joint]
            for joint, count in tracker.completed_counts.items()
            if count
        },
        on_other_bus=_joints_on_other_buses(all_frames, plan, bus_index=bus_index, silent=silent),
        flooding=_flooding_message(frames, messages, settings.bitrate),
    )


def _count_responses(plan: ResponsePlan, frames: FrameBatch, *, end_ns: int) -> ResponseTracker:
    """Count the received requests, and those without a response."""
    tracker = ResponseTracker(plan)
    if plan.requests and len(frames):
        tracker.process_traffic(foreign_requests(plan, frames), frames, until_ns=end_ns)
    return tracker


def _bench_frame_kinds(bench: Bench) -> tuple[FrameKind, ...]:
    """Return the messages of the layouts: frames in the order of the decode plan, then requests."""
    kinds = []
    for joint in bench.joints:
        frames = bench.layout_of(joint).frame
        # An identifier on which nothing but set-points comes is the controller's, not the joint's.
        joint_identities = {
            _frame_identity(frame) for frame in frames if not _has_only_setpoints(frame)
        }
        for frame, frame_match in zip(frames, bench.frame_matches_of(joint), strict=True):
            role: FrameRole = "joint" if _frame_identity(frame) in joint_identities else "set-point"
            kinds.append(
                FrameKind(
                    bus=frame_match.bus,
                    joint=joint.name,
                    frame=frame.name,
                    role=role,
                    extended=frame_match.extended,
                    identifier=frame_match.identifier,
                    mask=frame_match.mask,
                )
            )
    return (
        *kinds,
        *(
            _request_kind(bench, joint, request)
            for joint in bench.joints
            for request in bench.layout_of(joint).request
        ),
    )


def _request_kind(bench: Bench, joint: JointSettings, request: Request) -> FrameKind:
    return FrameKind(
        bus=bench.bus_of(joint),
        joint=joint.name,
        frame=request.name,
        role="request",
        extended=request.extended,
        identifier=identifier_for(
            request.identifier, joint.node, extended=request.extended, where=joint.name
        ),
        mask=exact_mask(extended=request.extended),
    )


def _frame_identity(frame: Frame) -> tuple[object, ...]:
    return frame.identifier, frame.mask, frame.extended


def _has_only_setpoints(frame: Frame) -> bool:
    return bool(frame.value) and all(channel_named(value.channel).setpoint for value in frame.value)


def _silent_joints(
    joints: Sequence[JointSettings], messages: Sequence[MessageStats]
) -> tuple[str, ...]:
    seen_joints = {
        name
        for message in messages
        if message.frame is not None and message.role == "joint"
        for name in message.joints
    }
    return tuple(joint.name for joint in joints if joint.name not in seen_joints)


def _joints_on_other_buses(
    all_frames: FrameBatch, plan: StatisticsPlan, *, bus_index: int, silent: Sequence[str]
) -> dict[str, str]:
    """Return for each silent joint another bus with frames like its own that match none."""
    kinds = plan.kinds
    found_buses: dict[str, str] = {}
    for other, settings in enumerate(plan.bench.buses):
        if other == bus_index or not silent:
            continue
        frames_there = all_frames.select_rows(all_frames.bus == other)
        frames_there = frames_there.select_rows(dispatch_frames(plan.dispatch, frames_there)[0] < 0)
        moved_match = replace(frames_there, bus=np.full(len(frames_there), bus_index, np.uint8))
        for number in np.unique(dispatch_frames(plan.dispatch, moved_match)[0]):
            if number >= 0 and kinds[number].role == "joint" and kinds[number].joint in silent:
                found_buses.setdefault(kinds[number].joint, settings.name)
    return found_buses


def _flooding_message(
    frames: FrameBatch, messages: Sequence[MessageStats], bitrate: int | None
) -> MessageStats | None:
    flooding = flooding_frame(frames, bitrate=bitrate)
    return max(
        (message for message in messages if (message.identifier, message.extended) == flooding),
        key=lambda message: message.count,
        default=None,
    )
