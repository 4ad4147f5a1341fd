"""From the receiving threads to the writer: a bounded queue between them.

Each bus has a thread that asks and receives; it never waits for the writer. What does not fit is
lost, counted, and told later. A fault in any thread is kept here for whoever runs the recording.
"""

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from logger.bus.poller import Asker, bits_of
from logger.bus.source import Received, Source
from logger.joint.batch import FrameBatch

__all__ = ["GATHER_S", "Counters", "Pipe", "guarded", "receive"]

GATHER_S: Final = 0.05
"""Frames are handed on this often: a batch costs the same for one frame as for fifty."""
ARMED_GATHER_S: Final = 0.005
"""The same where a stop frame may have to follow a frame at once."""
QUEUED_S: Final = 10.0
"""How long the writer may stand still before a bus's frames are lost."""


@dataclass(slots=True)
class Counters:
    """One bus, since the recording began. Written by its thread, read by the writer."""

    unqueued: int = 0
    """Frames lost because the writer did not keep up."""
    lost: int = 0
    """Frames that the system dropped before they could be received."""
    garbled: int = 0
    sent_bits: int = 0


@dataclass(slots=True)
class Pipe:
    """What the receiving threads, the writer and the caller have in common."""

    counters: tuple[Counters, ...]
    queue: "queue.Queue[Received]"
    stop: threading.Event = field(default_factory=threading.Event)
    received_all: threading.Event = field(default_factory=threading.Event)
    fault: list[BaseException] = field(default_factory=list)
    gather_s: float = GATHER_S
    """Frames are handed on this often."""

    @classmethod
    def of(cls, buses: int, *, armed: bool = False) -> "Pipe":
        """Return the pipe of that many buses; `armed`: stop frames may be sent."""
        gather_s = ARMED_GATHER_S if armed else GATHER_S
        return cls(
            counters=tuple(Counters() for _ in range(buses)),
            queue=queue.Queue(round(buses * QUEUED_S / gather_s)),
            gather_s=gather_s,
        )

    def hand_on(self, gathered: list[Received]) -> list[Received]:
        """Give the writer what one bus gathered; return what has to be told later."""
        if not gathered:
            return []
        bus = gathered[-1].bus
        whole = Received(
            frames=FrameBatch.joined([got.frames for got in gathered if len(got.frames)]),
            until_ns=gathered[-1].until_ns,
            said=tuple(said for got in gathered for said in got.said),
            lost=sum(got.lost for got in gathered),
            bus=bus,
            asked=tuple(ask for got in gathered for ask in got.asked),
        )
        try:
            self.queue.put_nowait(whole)
        except queue.Full:
            self.counters[bus].unqueued += len(whole.frames)
            # Frames are lost and counted; what happened on the bus is said later. Who asked what is
            # not: the answers are lost as well.
            if whole.said or whole.lost:
                return [replace(whole, frames=FrameBatch.empty(), asked=())]
        return []


def guarded(pipe: Pipe, run: Callable[..., None], *arguments: object) -> None:
    """Run one thread; its fault reaches the main loop, never only a log."""
    try:
        run(pipe, *arguments)
    except BaseException as fault:  # noqa: BLE001 - whatever it is, the main loop must know
        pipe.fault.append(fault)


def receive(pipe: Pipe, source: Source, asker: Asker) -> None:
    """Ask and receive on one bus until the pipe's `stop` is set."""
    counters = pipe.counters[source.place]
    gathered: list[Received] = []
    hand_on_s = time.monotonic() + pipe.gather_s
    while not pipe.stop.is_set():
        now_s = time.monotonic()
        _send_stops(source, asker, counters, now_s)
        asked = []
        for ask in asker.due(now_s):
            at_ns = source.now_ns()
            if not source.send(ask.message):
                # An adapter that takes nothing holds up each frame anew.
                break
            # Not stored, but it takes its time on the wire.
            counters.sent_bits += ask.bits
            asked.append((ask.number, at_ns))
        received = source.receive(
            min(asker.next_s(now_s), asker.stops.next_s(now_s), max(hand_on_s - now_s, 0.0))
        )
        if asked:
            received = replace(received, asked=tuple(asked))
        gathered.append(received)
        refused = asker.heard(received.frames, now_s=now_s)
        if refused:
            asker.stop(now_ns=source.now_ns())
            said = (("refused", refused),)
            gathered.append(
                replace(received, frames=FrameBatch.empty(), said=said, lost=0, asked=())
            )
        if time.monotonic() >= hand_on_s:
            hand_on_s = time.monotonic() + pipe.gather_s
            counters.garbled = source.garbled
            gathered = pipe.hand_on(gathered)
    pipe.hand_on(gathered)


def _send_stops(source: Source, asker: Asker, counters: Counters, now_s: float) -> None:
    """Send the stop frames that are due, before anything else."""
    stops = asker.stops
    if not stops:
        return
    for joint, message in stops.due(now_s, now_ns=source.now_ns()):
        sent = source.send(message)
        if sent:
            counters.sent_bits += bits_of(message)
            asker.note(message, now_s=now_s)
        stops.tried(joint, sent=sent, now_s=time.monotonic(), now_ns=source.now_ns())
