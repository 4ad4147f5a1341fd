"""Which requests were answered: a response counts for the newest request sent before it.

Older requests are skipped; a late response, without a newer request pending, counts for the
newest of those. A request without a response within its timeout is missed. So jitter is no
miss, and a loss is not hidden by the next response. Any chunking gives the same. Pure: times come
in with the frames. The cost is per request, not per frame.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import to_ns, to_s
from logger.event_kind import EventKind
from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import Frame, Request
from logger.joint.bench.stop_frame import StopFrame
from logger.joint.decode.dispatch import DispatchTable, bench_dispatch_table, dispatch_frames

__all__ = [
    "ResponseChange",
    "ResponsePlan",
    "ResponseTracker",
    "SentRequest",
    "foreign_requests",
    "is_request_echo",
    "response_plan",
]

MIN_RESPONSE_WINDOW_S: Final = 0.1
RESPONSE_WINDOW_PERIODS: Final = 2.0
NO_RESPONSE_NS: Final = 3_000_000_000
"""After this time with missed responses only, a joint is reported as not answering."""

SentRequest = tuple[int, int]
"""A request that was sent: its number in the plan, and when (ns)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrackedRequest:
    joint: str
    response_numbers: tuple[int, ...]
    """Match numbers of the frames that answer it."""
    response_window_ns: int
    key: int
    """Identifier, and above it the 29-bit flag."""
    data: bytes
    has_echo: bool
    """Its response looks the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponsePlan:
    """The requests of one bus, numbered in the order of joints and layouts, and their responses."""

    bus: int
    dispatch: DispatchTable
    requests: tuple[_TrackedRequest, ...]
    labels: Mapping[str, str]
    """Joint -> what people call it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseChange:
    """A joint stopped answering, or answers again."""

    kind: EventKind
    joint: str
    text: str
    time_ns: int


def response_plan(bench: Bench, *, bus: int, slower: float = 1.0) -> ResponsePlan:
    """Return the expected responses to the requests of one bus; `slower` scales their periods."""
    tracked_requests: list[_TrackedRequest] = []
    dispatch = bench_dispatch_table(bench)
    number_of = dispatch.number_by_match
    for joint in bench.joints:
        layout = bench.layout_of(joint)
        if bench.bus_of(joint) == bus and layout.request:
            frame_matches = bench.frame_matches_of(joint)
            for request in layout.request:
                period_s = request.period_s * slower
                number = identifier_for(
                    request.identifier, joint.node, extended=request.extended, where=joint.name
                )
                tracked_requests.append(
                    _TrackedRequest(
                        joint=joint.name,
                        response_numbers=tuple(
                            number_of[frame_matches[frame_index]]
                            for frame_index in layout.response_frames_of(request)
                        ),
                        response_window_ns=to_ns(
                            max(RESPONSE_WINDOW_PERIODS * period_s, MIN_RESPONSE_WINDOW_S)
                        ),
                        key=number | request.extended << 32,
                        data=bytes.fromhex(request.data),
                        has_echo=any(
                            is_request_echo(joint, layout.frame[frame_index], request)
                            for frame_index in layout.response_frames_of(request)
                        ),
                    )
                )
    return ResponsePlan(
        bus=bus, dispatch=dispatch, requests=tuple(tracked_requests), labels=bench.labels
    )


def is_request_echo(joint: JointSettings, frame: Frame, sent: Request | StopFrame) -> bool:
    """Return whether a frame is a response with the identifier of its request."""
    if frame.echo_within_s is None or frame.extended != sent.extended:
        return False
    sent_identifier, frame_identifier = (
        identifier_for(message.identifier, joint.node, extended=message.extended, where=joint.name)
        for message in (sent, frame)
    )
    mask = -1 if frame.mask is None else frame.mask
    return sent_identifier & mask == frame_identifier & mask


def foreign_requests(plan: ResponsePlan, frames: FrameBatch) -> list[SentRequest]:
    """Return the requests of other nodes among the frames of one bus.

    Those whose response looks the same are left out: one frame alone is ambiguous.
    """
    key = frames.identifier.astype(np.int64)
    key |= ((frames.flags & EXTENDED) != 0).astype(np.int64) << 32
    is_candidate = np.isin(key, [request.key for request in plan.requests])
    is_candidate &= (frames.flags & (SENT | ERROR | REMOTE)) == 0
    rows = np.flatnonzero(is_candidate)
    key, candidates = key[rows], frames.select_rows(rows)
    found_requests: list[SentRequest] = []
    for number, request in enumerate(plan.requests):
        if request.has_echo:
            continue
        count = len(request.data)
        same_content = (key == request.key) & (candidates.length == count)
        same_content &= (candidates.data[:, :count] == np.frombuffer(request.data, np.uint8)).all(
            axis=1
        )
        found_requests += [
            (number, time_ns) for time_ns in candidates.time_ns[same_content].tolist()
        ]
    return sorted(found_requests, key=lambda sent: sent[1])


@dataclass(slots=True, kw_only=True)
class _PendingResponse:
    time_ns: int
    until_ns: int
    joint: str
    is_answered: bool = False


@dataclass(slots=True, kw_only=True)
class _MissStreak:
    """One joint: since when all its requests were missed."""

    answered_ns: int = -1
    since_ns: int | None = None
    is_reported: bool = False


class ResponseTracker:
    """Counts requests and responses on one bus."""

    def __init__(self, plan: ResponsePlan) -> None:
        self._plan = plan
        self._pending: list[deque[_PendingResponse]] = [deque() for _ in plan.requests]
        # A frame that several joints share answers each of them.
        self._open: dict[tuple[int, str], list[_PendingResponse]] = {
            (match_number, tracked.joint): []
            for tracked in plan.requests
            for match_number in tracked.response_numbers
        }
        joints = list(dict.fromkeys(tracked.joint for tracked in plan.requests))
        self._streaks = {joint: _MissStreak() for joint in joints}
        self.completed_counts = dict.fromkeys(joints, 0)
        """Joint -> requests of which it is known whether they were answered."""
        self.missed_counts = dict.fromkeys(joints, 0)
        """Joint -> those of them that were not."""

    @property
    def has_requests(self) -> bool:
        """Whether there is anything to match."""
        return bool(self._plan.requests)

    @property
    def missed_total(self) -> int:
        """Requests without a response, of all joints."""
        return sum(self.missed_counts.values())

    def process_traffic(
        self, sent: Sequence[SentRequest], frames: FrameBatch, *, until_ns: int
    ) -> list[ResponseChange]:
        """Add requests and received frames; return which joints stopped answering, or answer again.

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
            tracked = self._plan.requests[number]
            if not tracked.response_numbers:
                continue
            pending = _PendingResponse(
                time_ns=time_ns, until_ns=time_ns + tracked.response_window_ns, joint=tracked.joint
            )
            self._pending[number].append(pending)
            for match_number in tracked.response_numbers:
                self._open[match_number, tracked.joint].append(pending)
        response_marks: list[tuple[int, bool, _PendingResponse]] = []
        if len(frames) and any(self._open.values()):
            self._match_responses(frames, response_marks)
        self._count_expired(until_ns, response_marks)
        return self._response_changes(response_marks) if response_marks else []

    def next_change_ns(self, until_ns: int) -> int:
        """Return before which time no joint can stop answering or answer again.

        `until_ns`: of the newest call of `process_traffic`. Traffic before then may be processed
        together.
        """
        earliest_ns = until_ns
        for streak in self._streaks.values():
            if streak.is_reported:
                return until_ns
            if streak.since_ns is not None:
                earliest_ns = min(earliest_ns, streak.since_ns)
        for waiting in self._pending:
            if waiting:
                earliest_ns = min(earliest_ns, waiting[0].time_ns)
        return earliest_ns + NO_RESPONSE_NS

    def reset_pending(self) -> None:
        """Drop all pending requests: frames were lost between bus and tracker."""
        for waiting in self._pending:
            waiting.clear()
        for open_requests in self._open.values():
            open_requests.clear()

    def _match_responses(
        self, frames: FrameBatch, marks: list[tuple[int, bool, _PendingResponse]]
    ) -> None:
        match_numbers, _ = dispatch_frames(self._plan.dispatch, frames)
        for (match_number, _), open_requests in self._open.items():
            if not open_requests:
                continue
            # As Python's numbers: there is a step for each response.
            times = frames.time_ns[match_numbers == match_number].tolist()
            time_position = 0
            # Each turn of the loop takes a request out: frames alone take no turn.
            while open_requests:
                time_position = bisect_left(times, open_requests[0].time_ns, lo=time_position)
                if time_position >= len(times):
                    break
                time_ns = times[time_position]
                time_position += 1
                # Mostly there is one between two requests, of which the older is meant.
                end_index = 1
                if len(open_requests) > 1 and open_requests[1].time_ns <= time_ns:
                    end_index = bisect_right(open_requests, time_ns, lo=2, key=_mark_time)
                while end_index:
                    end_index -= 1
                    pending = open_requests.pop(end_index)
                    if pending.until_ns > time_ns:
                        if not pending.is_answered:
                            marks.append((time_ns, True, pending))
                        pending.is_answered = True
                        break

    def _count_expired(
        self, until_ns: int, marks: list[tuple[int, bool, _PendingResponse]]
    ) -> None:
        for waiting in self._pending:
            while waiting and waiting[0].until_ns <= until_ns:
                pending = waiting.popleft()
                self.completed_counts[pending.joint] += 1
                if not pending.is_answered:
                    self.missed_counts[pending.joint] += 1
                    marks.append((pending.until_ns, False, pending))
        for open_requests in self._open.values():
            while open_requests and open_requests[0].until_ns <= until_ns:
                open_requests.pop(0)

    def _response_changes(
        self, marks: list[tuple[int, bool, _PendingResponse]]
    ) -> list[ResponseChange]:
        changes: list[ResponseChange] = []
        # Of a miss and an answer at one instant the miss is first: the answer came too late for it.
        for time_ns, answered, response_mark in sorted(marks, key=lambda mark: mark[:2]):
            streak = self._streaks[response_mark.joint]
            label = self._plan.labels[response_mark.joint]
            if answered:
                streak.answered_ns = time_ns
                if streak.is_reported and streak.since_ns is not None:
                    silent_s = to_s(time_ns - streak.since_ns)
                    text = f"{label} answers again after {silent_s:.1f} s."
                    changes.append(
                        ResponseChange(
                            kind=EventKind.ANSWERS_AGAIN,
                            joint=response_mark.joint,
                            text=text,
                            time_ns=time_ns,
                        )
                    )
                streak.since_ns, streak.is_reported = None, False
            elif response_mark.time_ns > streak.answered_ns:
                if streak.since_ns is None:
                    streak.since_ns = response_mark.time_ns
                if not streak.is_reported and time_ns - streak.since_ns >= NO_RESPONSE_NS:
                    streak.is_reported = True
                    silent_s = to_s(time_ns - streak.since_ns)
                    text = (
                        f"{label} has answered no request for {silent_s:.1f} s. Look "
                        "at its power, plug and node number; requests continue."
                    )
                    changes.append(
                        ResponseChange(
                            kind=EventKind.NO_ANSWER,
                            joint=response_mark.joint,
                            text=text,
                            time_ns=time_ns,
                        )
                    )
        return changes


def _mark_time(mark: _PendingResponse) -> int:
    return mark.time_ns
