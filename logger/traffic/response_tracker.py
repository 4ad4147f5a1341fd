"""Which requests were answered: each answer counts for the newest request that was sent before it.

Older ones are passed over; one that comes late, with no newer request waiting, makes good for the
newest of those. A request that nobody has answered within its patience is missed. So jitter is no
miss, and a loss is not hidden by the next answer. Any chunking gives the same. Pure: times come in
with the frames; frames cost nothing one by one, requests do.
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import Frame, Request
from logger.joint.bench.stop_frame import StopFrame
from logger.joint.decode.dispatch import OwnerPlan, owners_for, owners_of

__all__ = ["AnswerPlan", "Answers", "Said", "Sent", "is_echo", "plan_for", "requests_in"]

LEAST_PATIENCE_S: Final = 0.1
PATIENCE_PERIODS: Final = 2.0
SILENT_NS: Final = 3_000_000_000
"""After only missed answers for so long a joint is said to answer no more."""

Sent = tuple[int, int]
"""A request that was sent: its number in the plan, and when (ns)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Planned:
    joint: str
    answers: tuple[int, ...]
    """Numbers in the owner plan of the kinds of frame that answer it."""
    patience_ns: int
    key: int
    """Identifier, and above it the 29-bit flag."""
    data: bytes
    echoed: bool
    """Its answer looks the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerPlan:
    """The requests of one bus, numbered in the order of joints and layouts, and what answers."""

    bus: int
    owners: OwnerPlan
    requests: tuple[_Planned, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A joint answers no more, or again."""

    kind: str
    joint: str
    text: str
    time_ns: int


def plan_for(bench: Bench, *, bus: int, slower: float = 1.0) -> AnswerPlan:
    """Return what answers the requests of one bus; `slower` stretches their periods."""
    planned: list[_Planned] = []
    owners = owners_for(bench)
    number_of = owners.number_of
    for joint in bench.joints:
        layout = bench.layout_of(joint)
        if bench.bus_of(joint) == bus and layout.request:
            claims = bench.claims_of(joint)
            for request in layout.request:
                period_s = request.period_s * slower
                number = identifier_for(
                    request.identifier, joint.node, extended=request.extended, where=joint.name
                )
                planned.append(
                    _Planned(
                        joint=joint.name,
                        answers=tuple(
                            number_of[claims[place]] for place in layout.answers_to(request)
                        ),
                        patience_ns=round(max(PATIENCE_PERIODS * period_s, LEAST_PATIENCE_S) * 1e9),
                        key=number | request.extended << 32,
                        data=bytes.fromhex(request.data),
                        echoed=any(
                            is_echo(joint, layout.frame[place], request)
                            for place in layout.answers_to(request)
                        ),
                    )
                )
    return AnswerPlan(bus=bus, owners=owners, requests=tuple(planned))


def is_echo(joint: JointSettings, frame: Frame, sent: Request | StopFrame) -> bool:
    """Return whether a frame is an answer that carries the identifier of what was sent."""
    if frame.echo_within_s is None or frame.extended != sent.extended:
        return False
    asked, said = (
        identifier_for(one.identifier, joint.node, extended=one.extended, where=joint.name)
        for one in (sent, frame)
    )
    mask = -1 if frame.mask is None else frame.mask
    return asked & mask == said & mask


def requests_in(plan: AnswerPlan, frames: FrameBatch) -> list[Sent]:
    """Return the requests of somebody else among the frames of one bus.

    Those whose answer looks the same are left out: one frame does not tell which it is.
    """
    key = frames.identifier.astype(np.int64)
    key |= ((frames.flags & EXTENDED) != 0).astype(np.int64) << 32
    wanted = np.isin(key, [one.key for one in plan.requests])
    wanted &= (frames.flags & (SENT | ERROR | REMOTE)) == 0
    rows = np.flatnonzero(wanted)
    key, few = key[rows], frames.taken(rows)
    found: list[Sent] = []
    for number, one in enumerate(plan.requests):
        if one.echoed:
            continue
        count = len(one.data)
        alike = (key == one.key) & (few.length == count)
        alike &= (few.data[:, :count] == np.frombuffer(one.data, np.uint8)).all(axis=1)
        found += [(number, time_ns) for time_ns in few.time_ns[alike].tolist()]
    return sorted(found, key=lambda sent: sent[1])


@dataclass(slots=True, kw_only=True)
class _Waiting:
    time_ns: int
    until_ns: int
    joint: str
    answered: bool = False


@dataclass(slots=True, kw_only=True)
class _Heed:
    """One joint: since when it has only missed."""

    answered_ns: int = -1
    since_ns: int | None = None
    told: bool = False


class Answers:
    """Counts the answers on one bus."""

    def __init__(self, plan: AnswerPlan) -> None:
        self._plan = plan
        self._waiting: list[deque[_Waiting]] = [deque() for _ in plan.requests]
        # A frame that several joints share answers each of them.
        self._open: dict[tuple[int, str], list[_Waiting]] = {
            (owner, one.joint): [] for one in plan.requests for owner in one.answers
        }
        joints = list(dict.fromkeys(one.joint for one in plan.requests))
        self._heed = {joint: _Heed() for joint in joints}
        self.judged = dict.fromkeys(joints, 0)
        """Joint -> requests of which it is known whether they were answered."""
        self.missed = dict.fromkeys(joints, 0)
        """Joint -> those of them that were not."""

    @property
    def missed_in_all(self) -> int:
        """Requests that nobody answered, of all joints."""
        return sum(self.missed.values())

    def take(self, sent: Sequence[Sent], frames: FrameBatch, *, until_ns: int) -> list[Said]:
        """Take what was asked and heard; return which joints answer no more, or again.

        Parameters
        ----------
        sent
            Requests, in order of time; none was sent before a frame that was given earlier.
        frames
            Of this bus, in order of time.
        until_ns
            No later frame has an earlier time.
        """
        if not self._plan.requests:
            return []
        for number, time_ns in sent:
            planned = self._plan.requests[number]
            if not planned.answers:
                continue
            one = _Waiting(
                time_ns=time_ns, until_ns=time_ns + planned.patience_ns, joint=planned.joint
            )
            self._waiting[number].append(one)
            for owner in planned.answers:
                self._open[owner, planned.joint].append(one)
        marks: list[tuple[int, bool, _Waiting]] = []
        if len(frames) and any(self._open.values()):
            self._match(frames, marks)
        self._judge(until_ns, marks)
        return self._heeded(marks) if marks else []

    def forget(self) -> None:
        """Judge nothing that still waits: frames were lost on their way here."""
        for waiting in self._waiting:
            waiting.clear()
        for opened in self._open.values():
            opened.clear()

    def _match(self, frames: FrameBatch, marks: list[tuple[int, bool, _Waiting]]) -> None:
        owners, _ = owners_of(self._plan.owners, frames)
        for (owner, _), opened in self._open.items():
            if not opened:
                continue
            times = frames.time_ns[owners == owner]
            at = 0
            # Each turn of the loop takes a request out: frames alone take no turn.
            while opened:
                at = max(at, int(np.searchsorted(times, opened[0].time_ns)))
                if at >= len(times):
                    break
                time_ns = int(times[at])
                at += 1
                before = bisect_right(opened, time_ns, key=_time_of)
                while before:
                    before -= 1
                    one = opened.pop(before)
                    if one.until_ns > time_ns:
                        if not one.answered:
                            marks.append((time_ns, True, one))
                        one.answered = True
                        break

    def _judge(self, until_ns: int, marks: list[tuple[int, bool, _Waiting]]) -> None:
        for waiting in self._waiting:
            while waiting and waiting[0].until_ns <= until_ns:
                one = waiting.popleft()
                self.judged[one.joint] += 1
                if not one.answered:
                    self.missed[one.joint] += 1
                    marks.append((one.until_ns, False, one))
        for opened in self._open.values():
            while opened and opened[0].until_ns <= until_ns:
                opened.pop(0)

    def _heeded(self, marks: list[tuple[int, bool, _Waiting]]) -> list[Said]:
        said: list[Said] = []
        # Of a miss and an answer at one instant the miss is first: the answer came too late for it.
        for time_ns, answered, one in sorted(marks, key=lambda mark: mark[:2]):
            heed = self._heed[one.joint]
            if answered:
                heed.answered_ns = time_ns
                if heed.told and heed.since_ns is not None:
                    silent_s = (time_ns - heed.since_ns) * 1e-9
                    text = f"{one.joint} answers again after {silent_s:.1f} s."
                    said.append(
                        Said(kind="answers again", joint=one.joint, text=text, time_ns=time_ns)
                    )
                heed.since_ns, heed.told = None, False
            elif one.time_ns > heed.answered_ns:
                if heed.since_ns is None:
                    heed.since_ns = one.time_ns
                if not heed.told and time_ns - heed.since_ns >= SILENT_NS:
                    heed.told = True
                    silent_s = (time_ns - heed.since_ns) * 1e-9
                    text = (
                        f"{one.joint} has answered no request for {silent_s:.1f} s. Look at its "
                        "power, plug and node number; it is asked on."
                    )
                    said.append(Said(kind="no answer", joint=one.joint, text=text, time_ns=time_ns))
        return said


def _time_of(one: _Waiting) -> int:
    return one.time_ns
