"""Requests to joints that report only on request; off unless the bench has `send = true`.

Listens first: an identifier that another node already sends is refused, since two masters collide
while a joint moves; one that appears later ends the polling. The request longest overdue is sent
first, and all of them, with their responses, take no more of the bus than `bus.asking_share`.
Without a known bit rate there is no such bound. Time comes in as an argument.
"""

import heapq
import math
from dataclasses import dataclass, replace
from typing import Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.bus.echo_guard import EchoGuard
from logger.bus.rate_limiter import RATE_WINDOW_S, RateLimiter
from logger.bus.stop_sender import StopSender, stop_sender_for
from logger.event_kind import EventKind
from logger.joint.batch import CLASSIC_BYTES, ERROR, EXTENDED, SENT, FrameBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import Layout, Request
from logger.joint.bench.stop_frame import StopFrame
from logger.traffic.frame_length import frame_bits, max_frame_bits
from logger.traffic.response_tracker import is_request_echo

__all__ = ["LISTEN_BEFORE_POLL_S", "PollRequest", "Poller", "message_bits"]

LISTEN_BEFORE_POLL_S: Final = 1.0
"""How long the bus is only listened to before the first request."""
MAX_REQUESTS_AT_ONCE: Final = 16
"""Requests between two reads of the bus."""
PHASE_STEP: Final = 0.618034
"""Of a period, from one request to the next: any number of them is spread about evenly."""
REQUESTS_TOGETHER: Final = 4
"""Requests that are due at one instant, where so many fit: one wake and one write for all."""
MAX_PHASE_S: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PollRequest:
    """A request that is due."""

    numbers: tuple[int, ...]
    """Its number among the requests of the bus, in the order of joints and layouts; several where
    one frame asks several joints."""
    message: can.Message
    bits: int
    """Its bit times on the wire."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScheduledRequest:
    poll_request: PollRequest
    key: int
    period_s: float
    cost_bits: int
    """The most bit times of it and its responses together."""


class Poller:
    """The requests of one bus of a bench, each with its own period."""

    def __init__(
        self, bench: Bench, *, now_s: float, bus: int = 0, send_stop: bool = False
    ) -> None:
        """Plan the requests and, with `send_stop`, stop frames; with `send = false` none at all."""
        self.stop_sender = StopSender({})
        """The stop frames that may be ordered here."""
        self._schedule: tuple[_ScheduledRequest, ...] = ()
        self._due_times: list[tuple[float, int]] = []
        self._limiter: RateLimiter | None = None
        self._echo_guards: dict[int, EchoGuard] = {}
        self._own_keys: NDArray[np.uint64] = np.empty(0, np.uint64)
        self._own_identifiers: frozenset[int] = frozenset()
        self._watching = False
        self.slowdown = 1.0
        """Factor by which every period is longer than in its layout."""
        self.remarks: tuple[tuple[EventKind, str], ...] = ()
        """(kind, sentence) of events to report at the start."""
        settings = bench.buses[bus]
        if not settings.send:
            return
        joints = [joint for joint in bench.joints if bench.bus_of(joint) == bus]
        planned_requests = [
            (joint, bench.layout_of(joint), request)
            for joint in joints
            for request in bench.layout_of(joint).request
        ]
        planned_schedule = [
            _schedule_request(number, *request_parts)
            for number, request_parts in enumerate(planned_requests)
        ]
        sendable: list[tuple[int, JointSettings, Layout, Request | StopFrame]] = [
            (request_parts.key, *of)
            for request_parts, of in zip(planned_schedule, planned_requests, strict=True)
        ]
        schedule = _each_once(planned_schedule)
        if send_stop:
            self.stop_sender = stop_sender_for(bench, bus=bus)
            for name, (message, stop) in self.stop_sender.frames.items():
                joint = bench.joint_named(name)
                sendable.append((_message_key(message), joint, bench.layout_of(joint), stop))
        self._echo_guards = {
            key: EchoGuard()
            for key, joint, layout, sent in sendable
            if any(is_request_echo(joint, frame, sent) for frame in layout.frame)
        }
        self._own_keys = np.unique(np.array([key for key, *_ in sendable], np.uint64))
        self._own_identifiers = frozenset((self._own_keys & np.uint64(0xFFFFFFFF)).tolist())
        self._watching = bool(sendable)
        if schedule and settings.bitrate is not None:
            self._fit_to_share(schedule, settings.bitrate, settings.asking_share, settings.name)
        self._schedule = tuple(schedule)
        self._due_times = self._first_due_times(now_s + LISTEN_BEFORE_POLL_S)
        heapq.heapify(self._due_times)

    def _first_due_times(self, begin_s: float) -> list[tuple[float, int]]:
        """Return when each request is due first.

        A few leave together, so that few wakes do; all of them do not leave in a burst, nor come
        back in one. The quickest period is divided into slots of few requests each.
        """
        if not self._schedule:
            return []
        periods_s = [scheduled.period_s * self.slowdown for scheduled in self._schedule]
        quickest_s = min(periods_s)
        per_period = sum(quickest_s / period_s for period_s in periods_s)
        slot_s = quickest_s / math.ceil(per_period / REQUESTS_TOGETHER)
        return [
            (
                begin_s
                + min(period_s, MAX_PHASE_S) * (PHASE_STEP * number % 1.0) // slot_s * slot_s,
                number,
            )
            for number, period_s in enumerate(periods_s)
        ]

    def _fit_to_share(
        self, schedule: list[_ScheduledRequest], bitrate: int, share: float, name: str
    ) -> None:
        """Fit the requests into the share: all slower by one factor where they exceed it."""
        allowed = share * bitrate
        largest = max(scheduled.cost_bits for scheduled in schedule)
        self._limiter = RateLimiter(bits_per_s=allowed, largest_bits=largest)
        wanted_bits = sum(scheduled.cost_bits / scheduled.period_s for scheduled in schedule)
        if wanted_bits <= allowed:
            return
        # A window is hardly ever filled to the last bit: so much less is planned for.
        self.slowdown = wanted_bits / max(allowed - largest / RATE_WINDOW_S, allowed / 2)
        fastest_s = min(scheduled.period_s for scheduled in schedule)
        text = (
            f"The bus {name}: all {len(schedule)} requests with their answers would take "
            f"{wanted_bits / bitrate:.1%} of {bitrate} bit/s, and {share:.1%} is allowed "
            f"(bus.asking_share). Each is asked {self.slowdown:.2f} times slower: the fastest "
            f"every {fastest_s * self.slowdown * 1e3:.4g} ms in place of {fastest_s * 1e3:.4g} ms."
        )
        self.remarks = ((EventKind.ASKED_SLOWER, text),)

    def __bool__(self) -> bool:
        """Return whether anything may be sent, so that others' identifiers matter."""
        return self._watching

    def due_requests(self, now_s: float) -> list[PollRequest]:
        """Return the requests due now, oldest first.

        Missed periods are not made up for; without room, the rest waits in its order.
        """
        polls: list[PollRequest] = []
        while (
            self._due_times and self._due_times[0][0] <= now_s and len(polls) < MAX_REQUESTS_AT_ONCE
        ):
            due_s, number = self._due_times[0]
            scheduled = self._schedule[number]
            if self._limiter is not None and not self._limiter.try_grant(
                scheduled.cost_bits, now_s=now_s
            ):
                break
            period_s = scheduled.period_s * self.slowdown
            missed = int((now_s - due_s) / period_s)
            heapq.heapreplace(self._due_times, (due_s + (missed + 1) * period_s, number))
            polls.append(scheduled.poll_request)
            if self._echo_guards:
                self.note_sent(scheduled.poll_request.message, now_s=now_s)
        return polls

    def note_sent(self, message: can.Message, *, now_s: float) -> None:
        """Note a frame that is sent: its response may look the same."""
        echo_guard = self._echo_guards.get(_message_key(message))
        if echo_guard is not None:
            echo_guard.note_sent(now_s)

    def next_due_s(self, now_s: float) -> float:
        """Return in how many seconds the next request can be sent; at most 1.

        Stop frames are timed by themselves.
        """
        if not self._due_times:
            return 1.0
        due_s, number = self._due_times[0]
        wait_s = max(due_s - now_s, 0.0)
        if self._limiter is not None:
            wait_s = max(
                wait_s, self._limiter.wait_for_room_s(self._schedule[number].cost_bits, now_s=now_s)
            )
        return min(wait_s, 1.0)

    def check_received(self, frames: FrameBatch, *, now_s: float) -> str | None:
        """Return why polling must end: another node sends an identifier that is ours.

        Where an answer looks like its request, only a surplus of such frames over
        the requests counts (`echo_guard`); before the first request any of them does.
        """
        # Nearly always none is ours: that is told without a numpy call.
        if not self._watching or self._own_identifiers.isdisjoint(frames.identifier.tolist()):
            return None
        keys = frames.identifier.astype(np.uint64) | (
            ((frames.flags & EXTENDED) != 0).astype(np.uint64) << np.uint64(32)
        )
        # The identifier of an error frame is the class of error, not the sender.
        is_foreign = np.isin(keys, self._own_keys) & ((frames.flags & (SENT | ERROR)) == 0)
        if not is_foreign.any():
            return None
        for key, count in zip(*np.unique(keys[is_foreign], return_counts=True), strict=True):
            echo_guard = self._echo_guards.get(int(key))
            if echo_guard is None or echo_guard.note_received(int(count), now_s=now_s):
                return (
                    f"The identifier 0x{int(key) & 0x1FFFFFFF:03X}, which this bench's requests or "
                    "stop frames use, is already sent by somebody else on the bus. Two masters "
                    "collide while a joint moves: nothing is asked. Stop the other controller, or "
                    "set bus.send = false and only listen."
                )
        return None

    def stop_polling(self, *, now_ns: int = 0) -> None:
        """End polling, and send no stop frames either."""
        self._due_times = []
        self.stop_sender.disarm_stops(now_ns=now_ns)
        self._watching = False


def _schedule_request(
    number: int, joint: JointSettings, layout: Layout, request: Request
) -> _ScheduledRequest:
    identifier = identifier_for(
        request.identifier, joint.node, extended=request.extended, where=joint.name
    )
    data = bytes.fromhex(request.data)
    message = can.Message(
        arbitration_id=identifier, is_extended_id=request.extended, data=data, is_rx=False
    )
    response_frames = [
        layout.frame[frame_index] for frame_index in layout.response_frames_of(request)
    ]
    bits = message_bits(message)
    return _ScheduledRequest(
        poll_request=PollRequest(numbers=(number,), message=message, bits=bits),
        key=_message_key(message),
        period_s=request.period_s,
        # A layout says how long a frame is at least; what its values do to its stuff bits nobody
        # knows before.
        cost_bits=bits
        + sum(
            max_frame_bits(max(frame.length, CLASSIC_BYTES), extended=frame.extended)
            for frame in response_frames
        ),
    )


def _each_once(schedule: list[_ScheduledRequest]) -> list[_ScheduledRequest]:
    """Return a schedule in which a frame that asks several joints is sent once, for all of them.

    As often as the joint that wants it most often. The cost is that of each joint's answers, as
    whether they are one frame is for their layout to know.
    """
    by_frame: dict[tuple[int, bytes], _ScheduledRequest] = {}
    for scheduled in schedule:
        frame = (scheduled.key, bytes(scheduled.poll_request.message.data))
        first = by_frame.get(frame)
        by_frame[frame] = (
            scheduled
            if first is None
            else replace(
                first,
                poll_request=replace(
                    first.poll_request,
                    numbers=(*first.poll_request.numbers, *scheduled.poll_request.numbers),
                ),
                period_s=min(first.period_s, scheduled.period_s),
                cost_bits=first.cost_bits + scheduled.cost_bits - scheduled.poll_request.bits,
            )
        )
    return list(by_frame.values())


def message_bits(message: can.Message) -> int:
    """Return the bit times that a data frame takes on the wire."""
    flags = EXTENDED if message.is_extended_id else 0
    batch = FrameBatch.from_rows([(0, message.arbitration_id, flags, bytes(message.data))])
    return int(frame_bits(batch)[0])


def _message_key(message: can.Message) -> int:
    return message.arbitration_id | int(message.is_extended_id) << 32
