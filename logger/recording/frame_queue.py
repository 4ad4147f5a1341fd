"""A bounded queue from the receiving threads to the writer, and the loop of a receiving thread.

Each bus has a thread that polls and receives; it never waits for the writer. Frames that do not fit
into the queue are lost, counted, and reported later. A fault in any thread is kept here for the
thread that runs the recording.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from logger.bus.poller import Poller, message_bits
from logger.bus.source import Received, Source
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch

__all__ = ["GATHER_INTERVAL_S", "BusCounters", "FrameQueue", "receive_frames", "run_guarded"]

GATHER_INTERVAL_S: Final = 0.1
"""How often frames are queued: a batch costs the same for one frame as for a hundred."""
ARMED_GATHER_INTERVAL_S: Final = 0.005
"""The same where a stop frame may have to follow a frame at once."""
MAX_QUEUED_S: Final = 10.0
"""How long the writer may be blocked before a bus's frames are lost."""


@dataclass(slots=True)
class BusCounters:
    """Counts of one bus since the recording began; its thread writes them, the writer reads."""

    unqueued: int = 0
    """Frames lost because the writer did not keep up."""
    lost: int = 0
    """Frames that the system dropped before they could be received."""
    garbled: int = 0
    """Lines or frames that the adapter could not make sense of."""
    sent_bits: int = 0
    """Bits on the wire of the requests and stop frames that the recorder sent."""


@dataclass(slots=True)
class FrameQueue:
    """What the receiving threads, the writer and the caller have in common."""

    counters: tuple[BusCounters, ...]
    queue: "queue.Queue[Received]"
    stop: threading.Event = field(default_factory=threading.Event)
    received_all: threading.Event = field(default_factory=threading.Event)
    fault: list[BaseException] = field(default_factory=list)
    gather_s: float = GATHER_INTERVAL_S
    """How long a frame waits at most before it is queued."""
    quiet_s: float = GATHER_INTERVAL_S
    """How long a bus without frames takes to say so."""
    hint_on_standstills: str = ""
    """What would help against them, for their events; "": nothing that is known."""

    @classmethod
    def for_buses(cls, buses: int, *, armed: bool = False) -> "FrameQueue":
        """Return the queue of that many buses; `armed`: stop frames may be sent."""
        gather_s = ARMED_GATHER_INTERVAL_S if armed else GATHER_INTERVAL_S
        return cls(
            counters=tuple(BusCounters() for _ in range(buses)),
            queue=queue.Queue(round(buses * MAX_QUEUED_S / gather_s)),
            gather_s=gather_s,
            # No frame of one bus is judged before the others have said that theirs are not older.
            quiet_s=GATHER_INTERVAL_S if buses == 1 else gather_s,
        )

    def put_gathered(self, gathered: list[Received]) -> list[Received]:
        """Queue what one bus gathered, as one batch; return what is left to queue later."""
        if not gathered:
            return []
        bus = gathered[-1].bus
        merged = Received(
            frames=FrameBatch.concatenate(
                [received.frames for received in gathered if len(received.frames)]
            ),
            until_ns=gathered[-1].until_ns,
            remarks=tuple(remark for received in gathered for remark in received.remarks),
            standstills=tuple(
                standstill for received in gathered for standstill in received.standstills
            ),
            lost=sum(received.lost for received in gathered),
            bus=bus,
            sent_bits=self.counters[bus].sent_bits,
            unqueued=self.counters[bus].unqueued,
            sent_requests=tuple(
                sent_request for received in gathered for sent_request in received.sent_requests
            ),
        )
        try:
            self.queue.put_nowait(merged)
        except queue.Full:
            self.counters[bus].unqueued += len(merged.frames)
            # The frames are lost and counted; what is known of the bus is queued later. The sent
            # requests are not: their answers are lost as well.
            if merged.remarks or merged.lost or merged.standstills:
                return [replace(merged, frames=FrameBatch.empty(), sent_requests=())]
        return []

    def get_handed_on(self, wait_s: float) -> list[Received]:
        """Return what the buses hand on at one instant, after waiting for it for at most `wait_s`.

        Of several buses at most as many batches as there are; empty where nothing came.
        """
        handed_on: list[Received] = []
        with contextlib.suppress(queue.Empty):
            handed_on.append(self.queue.get(timeout=wait_s))
            # A frame waits for all buses (`WatermarkMerger`): one turn takes what they bring.
            until_s = time.monotonic() + self.gather_s / 5
            while len(handed_on) < len(self.counters):
                handed_on.append(self.queue.get(timeout=max(until_s - time.monotonic(), 0.0)))
        return handed_on


def next_instant_s(now_s: float, every_s: float) -> float:
    """Return the next instant at which the buses hand on: the same for all of them."""
    return (now_s // every_s + 1) * every_s


def run_guarded(frame_queue: FrameQueue, run: Callable[..., None], *arguments: object) -> None:
    """Run one thread; its fault reaches the main loop, never only a log."""
    try:
        run(frame_queue, *arguments)
    except BaseException as fault:  # noqa: BLE001 - whatever it is, the main loop must know
        frame_queue.fault.append(fault)


def receive_frames(frame_queue: FrameQueue, source: Source, poller: Poller) -> None:
    """Poll and receive on one bus until the queue's `stop` is set."""
    counters = frame_queue.counters[source.bus_index]
    stop_sender = poller.stop_sender
    gathered: list[Received] = []
    sent_requests: list[tuple[int, int]] = []
    now_s = request_due_s = time.monotonic()
    put_due_s = next_instant_s(now_s, frame_queue.quiet_s)
    while not frame_queue.stop.is_set():
        wait_s = max(put_due_s - now_s, 0.0)
        if stop_sender:
            _send_due_stops(source, poller, counters, now_s)
            # An order to stop comes from another thread.
            wait_s = min(wait_s, stop_sender.next_due_s(now_s), frame_queue.gather_s)
        if now_s >= request_due_s:
            sent_requests += _send_due_requests(source, poller, counters, now_s)
            request_due_s = now_s + poller.next_due_s(now_s)
        is_due = source.wait(min(wait_s, request_due_s - now_s))
        now_s = time.monotonic()
        if source.holds_bytes:
            put_due_s = min(put_due_s, next_instant_s(now_s, frame_queue.gather_s))
        # What is held has its time: frames are made of it no sooner than they are handed on.
        if not (is_due or now_s >= put_due_s):
            continue
        received = source.take()
        if sent_requests:
            received = replace(received, sent_requests=tuple(sent_requests))
            sent_requests = []
        if received.standstills:
            # What was received before is judged before.
            gathered = frame_queue.put_gathered(gathered)
        gathered.append(received)
        refused = poller.check_received(received.frames, now_s=now_s)
        if refused:
            poller.stop_polling(now_ns=source.now_ns())
            remarks = ((EventKind.REFUSED, refused),)
            gathered.append(
                replace(
                    received,
                    frames=FrameBatch.empty(),
                    remarks=remarks,
                    lost=0,
                    standstills=(),
                    sent_requests=(),
                )
            )
        if len(received.frames):
            put_due_s = min(put_due_s, next_instant_s(now_s, frame_queue.gather_s))
        if now_s >= put_due_s:
            put_due_s = next_instant_s(now_s, frame_queue.quiet_s)
            counters.garbled = source.garbled
            gathered = frame_queue.put_gathered(gathered)
    # It came before the end, however long ago this thread looked last.
    for received in source.receive_rest():
        if received.standstills:
            gathered = frame_queue.put_gathered(gathered)
        gathered.append(replace(received, sent_requests=tuple(sent_requests)))
        sent_requests = []
    counters.garbled = source.garbled
    frame_queue.put_gathered(gathered)


def _send_due_requests(
    source: Source, poller: Poller, counters: BusCounters, now_s: float
) -> list[tuple[int, int]]:
    """Send the requests that are due; return their numbers and times (ns)."""
    polls = poller.due_requests(now_s)
    if not polls:
        return []
    sent_ns = source.now_ns()
    taken = polls[: source.send_all([poll.message for poll in polls])]
    # Not stored, but they load the bus.
    counters.sent_bits += sum(poll.bits for poll in taken)
    return [(number, sent_ns) for poll in taken for number in poll.numbers]


def _send_due_stops(source: Source, poller: Poller, counters: BusCounters, now_s: float) -> None:
    """Send the stop frames that are due, before anything else."""
    stop_sender = poller.stop_sender
    if not stop_sender:
        return
    for joint, message in stop_sender.due_stops(now_s, now_ns=source.now_ns()):
        sent = source.send(message)
        if sent:
            counters.sent_bits += message_bits(message)
            poller.note_sent(message, now_s=now_s)
        stop_sender.note_attempt(
            joint, was_sent=sent, now_s=time.monotonic(), now_ns=source.now_ns()
        )
