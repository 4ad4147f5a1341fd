"""What one bus said over some seconds, in figures: load, who talks, what is not decoded.

From the frames that were heard and the bench; nothing is judged here. Pure and vectorised.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from logger.joint.batch import ERROR, FD, REMOTE, FrameBatch
from logger.joint.bench.bench import Bench, BusSettings, JointSettings
from logger.joint.bench.identifiers import full_mask, identifier_for
from logger.joint.bench.layout import Frame, Request
from logger.joint.channels import SETPOINT_OF
from logger.joint.decode.dispatch import OwnerPlan, owners_for, owners_of
from logger.traffic.cadence import Kind, Role, Talker, repeated, talkers
from logger.traffic.error_classes import INTERFACES, error_classes
from logger.traffic.frame_length import load
from logger.traffic.response_tracker import AnswerPlan, Answers, requests_in
from logger.traffic.response_tracker import plan_for as answer_plan_for

__all__ = ["Figures", "FiguresPlan", "figures", "plan_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """One bus of the bench, over the time that it was listened to."""

    settings: BusSettings
    """As the bench file has them."""
    span_s: float
    frames: int
    """Data and remote frames; error frames count apart."""
    frames_per_s: float
    load: float | None
    """Share of the time that the frames keep the bus busy, 0.4 is 40 %; None without a bit rate.
    With CAN FD frames an upper bound: how fast their data went is not told."""
    fd_frames: int
    remote_frames: int
    error_frames: int
    error_classes: Mapping[str, int] = field(default_factory=dict)
    """What they say in words -> in how many; empty where the adapter does not tell."""
    talkers: tuple[Talker, ...] = ()
    undecoded: Mapping[str, int] = field(default_factory=dict)
    """Reason in words -> frames that the recorder would not decode for it."""
    joints: tuple[str, ...] = ()
    """The bench's joints on this bus."""
    silent: tuple[str, ...] = ()
    """Those of them of which nothing was decoded; set-points that others send them do not count."""
    asked_only: tuple[str, ...] = ()
    """Those of them whose layout says that they have to be asked."""
    asked: Mapping[str, int] = field(default_factory=dict)
    """Joint -> requests of somebody else to it of which it is known whether it answered; a joint
    whose answers look like the requests is left out."""
    unanswered: Mapping[str, int] = field(default_factory=dict)
    """Joint -> those of them that it did not answer in time; the same joints."""
    elsewhere: Mapping[str, str] = field(default_factory=dict)
    """A silent joint -> name of another bus, on which frames of it were heard."""
    repeats: Talker | None = None
    """The one that repeats one frame without a pause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FiguresPlan:
    """What the figures of a bench are made with; made once, asked every second."""

    bench: Bench
    owners: OwnerPlan
    kinds: tuple[Kind, ...]
    answers: tuple[AnswerPlan, ...]
    """Of each bus, what answers its requests."""


def plan_for(bench: Bench) -> FiguresPlan:
    """Return what the figures of a bench are made with."""
    return FiguresPlan(
        bench=bench,
        owners=owners_for(bench),
        kinds=_kinds(bench),
        answers=tuple(answer_plan_for(bench, bus=place) for place in range(len(bench.buses))),
    )


def figures(
    frames: FrameBatch, plan: FiguresPlan, *, start_ns: int, end_ns: int
) -> tuple[Figures, ...]:
    """Return the figures of each bus of the bench, in its order.

    Parameters
    ----------
    frames
        What the buses gave from `start_ns` to `end_ns`; in order of time for each bus.
    """
    return tuple(
        _figures(frames, plan, place=place, start_ns=start_ns, end_ns=end_ns)
        for place in range(len(plan.bench.buses))
    )


def _figures(
    every: FrameBatch, plan: FiguresPlan, *, place: int, start_ns: int, end_ns: int
) -> Figures:
    bench = plan.bench
    settings = bench.buses[place]
    frames = every.taken(every.bus == place)
    owner, rejected = owners_of(plan.owners, frames)
    owner = np.maximum(owner, -1)  # a request that a layout knows is no kind of frame
    span_s = max(end_ns - start_ns, 1) * 1e-9
    errors = int(np.count_nonzero(frames.flags & ERROR))
    count = len(frames) - errors
    said = talkers(frames, owner, kinds=plan.kinds, start_ns=start_ns, end_ns=end_ns)
    # A sensor speaks on no bus.
    joints = [
        joint
        for joint in bench.joints
        if bench.bus_of(joint) == place and joint.name not in bench.sensors
    ]
    silent = _silent(joints, said)
    answers = _answered(plan.answers[place], frames, end_ns=end_ns)
    return Figures(
        settings=settings,
        span_s=span_s,
        frames=count,
        frames_per_s=count / span_s,
        load=None
        if settings.bitrate is None
        else load(frames, bitrate=settings.bitrate, span_s=span_s),
        fd_frames=int(np.count_nonzero(frames.flags & FD)),
        remote_frames=int(np.count_nonzero((frames.flags & (REMOTE | ERROR)) == REMOTE)),
        error_frames=errors,
        error_classes=error_classes(frames) if settings.interface in INTERFACES else {},
        talkers=said,
        undecoded=rejected,
        joints=tuple(joint.name for joint in joints),
        silent=silent,
        asked_only=tuple(joint.name for joint in joints if bench.layout_of(joint).request),
        asked={joint: count for joint, count in answers.judged.items() if count},
        unanswered={
            joint: answers.missed[joint] for joint, count in answers.judged.items() if count
        },
        elsewhere=_elsewhere(every, plan, place=place, silent=silent),
        repeats=_repeats(frames, said, settings.bitrate),
    )


def _answered(plan: AnswerPlan, frames: FrameBatch, *, end_ns: int) -> Answers:
    """Count how the requests that were heard were answered."""
    answers = Answers(plan)
    if plan.requests and len(frames):
        answers.take(requests_in(plan, frames), frames, until_ns=end_ns)
    return answers


def _kinds(bench: Bench) -> tuple[Kind, ...]:
    """Return what the layouts name: frames in the order of the decode plan, then requests."""
    kinds = []
    for joint in bench.joints:
        frames = bench.layout_of(joint).frame
        # An identifier on which nothing but set-points comes is the controller's, not the joint's.
        said = {_identity(frame) for frame in frames if not _is_told(frame)}
        for frame, claim in zip(frames, bench.claims_of(joint), strict=True):
            role: Role = "joint" if _identity(frame) in said else "set-point"
            kinds.append(
                Kind(
                    bus=claim.bus,
                    joint=joint.name,
                    frame=frame.name,
                    role=role,
                    extended=claim.extended,
                    identifier=claim.identifier,
                    mask=claim.mask,
                )
            )
    return (
        *kinds,
        *(
            _asked(bench, joint, request)
            for joint in bench.joints
            for request in bench.layout_of(joint).request
        ),
    )


def _asked(bench: Bench, joint: JointSettings, request: Request) -> Kind:
    return Kind(
        bus=bench.bus_of(joint),
        joint=joint.name,
        frame=request.name,
        role="request",
        extended=request.extended,
        identifier=identifier_for(
            request.identifier, joint.node, extended=request.extended, where=joint.name
        ),
        mask=full_mask(extended=request.extended),
    )


def _identity(frame: Frame) -> tuple[object, ...]:
    return frame.identifier, frame.mask, frame.extended


def _is_told(frame: Frame) -> bool:
    told = set(SETPOINT_OF.values())
    return bool(frame.value) and all(value.channel in told for value in frame.value)


def _silent(joints: Sequence[JointSettings], said: Sequence[Talker]) -> tuple[str, ...]:
    heard = {
        name for one in said if one.frame is not None and one.role == "joint" for name in one.joints
    }
    return tuple(joint.name for joint in joints if joint.name not in heard)


def _elsewhere(
    every: FrameBatch, plan: FiguresPlan, *, place: int, silent: Sequence[str]
) -> dict[str, str]:
    """Return for each silent joint another bus on which frames like its own are nobody's."""
    kinds = plan.kinds
    found: dict[str, str] = {}
    for other, settings in enumerate(plan.bench.buses):
        if other == place or not silent:
            continue
        there = every.taken(every.bus == other)
        there = there.taken(owners_of(plan.owners, there)[0] < 0)
        moved = replace(there, bus=np.full(len(there), place, np.uint8))
        for number in np.unique(owners_of(plan.owners, moved)[0]):
            if number >= 0 and kinds[number].role == "joint" and kinds[number].joint in silent:
                found.setdefault(kinds[number].joint, settings.name)
    return found


def _repeats(frames: FrameBatch, said: Sequence[Talker], bitrate: int | None) -> Talker | None:
    found = repeated(frames, bitrate=bitrate)
    return max(
        (one for one in said if (one.identifier, one.extended) == found),
        key=lambda one: one.count,
        default=None,
    )
