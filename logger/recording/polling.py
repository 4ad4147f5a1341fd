"""Polling: which requests were answered, and the events about it.

The receiving threads send the requests and report what they sent; here it is matched with the
responses, counted, and made into events and alerts: once a second, and at once where that can tell
something. For the writing thread.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.limits.recorder import ASKING_STOPPED
from logger.recording.event_log import EventLog
from logger.traffic.response_tracker import ResponseTracker, SentRequest, response_plan

__all__ = ["Polling"]

LONGEST_HELD_NS: Final = 1_000_000_000
"""For how long traffic is held at most: a second of it costs little more than a tenth."""


@dataclass(slots=True)
class _HeldTraffic:
    """What one bus brought and is not matched yet."""

    due_ns: int
    """From here on something can follow from it."""
    until_ns: int
    sent: list[SentRequest] = field(default_factory=list)
    frames: list[FrameBatch] = field(default_factory=list)


class Polling:
    """The requests on the buses of one recording, and which of them were answered."""

    def __init__(
        self, bench: Bench, pollers: Sequence[Poller], events: EventLog, *, start_ns: int
    ) -> None:
        """Begin; emits an event where a poller differs from its layouts, such as a lower rate.

        `pollers`: one for each bus of the bench, in order.
        """
        self._events = events
        self._labels = bench.labels
        self._names = [bus.name for bus in bench.buses]
        self._answers = [
            ResponseTracker(response_plan(bench, bus=bus_index, slower=poller.slowdown))
            for bus_index, poller in enumerate(pollers)
        ]
        self._held = [_HeldTraffic(due_ns=start_ns, until_ns=start_ns) for _ in pollers]
        for bus_index, poller in enumerate(pollers):
            for kind, text in poller.remarks:
                events.emit(kind, time_ns=start_ns, bus=bus_index, text=text)

    def match_answers(self, received: Received, *, time_ns: int) -> None:
        """Match what one bus brought with its requests, and emit the events that follow.

        `time_ns` is the recording's time.
        """
        if self._answers[received.bus].has_requests:
            self._hold_traffic(received)
            if received.until_ns >= self._held[received.bus].due_ns:
                self._match_held(received.bus, time_ns=time_ns)
        for kind, _ in received.remarks:
            if kind == EventKind.REFUSED:
                self._events.raise_recorder_alert(
                    ASKING_STOPPED,
                    time_ns=max(time_ns, received.until_ns),
                    bus=received.bus,
                    text=f"Polling on the bus {self._names[received.bus]} has stopped until the "
                    "recorder is started again, and no stop frame is sent there: another node "
                    "sends an identifier of this bench's requests or stop frames.",
                )

    def _hold_traffic(self, received: Received) -> None:
        held = self._held[received.bus]
        if received.lost or received.standstills:
            # An answer may have been among the lost frames: no joint is reported for it.
            self.reset(received.bus)
        else:
            held.sent.extend(received.sent_requests)
        if len(received.frames):
            held.frames.append(received.frames)
        held.until_ns = received.until_ns

    def _match_held(self, bus: int, *, time_ns: int) -> None:
        """Match the traffic of a bus that is held; `time_ns` is the recording's time."""
        held, answers = self._held[bus], self._answers[bus]
        changes = answers.process_traffic(
            held.sent, FrameBatch.concatenate(held.frames), until_ns=held.until_ns
        )
        for change in changes:
            self._events.emit(
                change.kind,
                time_ns=max(time_ns, change.time_ns),
                joint=change.joint,
                bus=bus,
                text=change.text,
            )
        held.sent, held.frames = [], []
        due_ns = held.until_ns + LONGEST_HELD_NS
        held.due_ns = min(due_ns, answers.next_change_ns(held.until_ns))

    def reset(self, bus: int) -> None:
        """Drop the requests of a bus that wait for an answer, because frames of it were lost."""
        held, answers = self._held[bus], self._answers[bus]
        self._match_held(bus, time_ns=held.until_ns)
        answers.reset_pending()

    def missed_total(self, bus: int) -> int:
        """Return how many requests of a bus were not answered in time, so far."""
        self._match_held(bus, time_ns=self._held[bus].until_ns)
        return self._answers[bus].missed_total

    def end(self, time_ns: int) -> None:
        """Emit for each joint how many requests it left without an answer."""
        for bus, answers in enumerate(self._answers):
            self._match_held(bus, time_ns=time_ns)
            for joint, missed in answers.missed_counts.items():
                if missed:
                    self._events.emit(
                        EventKind.UNANSWERED,
                        time_ns=time_ns,
                        joint=joint,
                        value=float(missed),
                        text=f"{self._labels[joint]} left {missed} of "
                        f"{answers.completed_counts[joint]} requests without an answer.",
                    )
