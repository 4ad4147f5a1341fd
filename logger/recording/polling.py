"""Polling: which requests were answered, and the events about it.

The receiving threads send the requests and report what they sent; here it is matched with the
responses, counted, and made into events and alerts. For the writing thread.
"""

from collections.abc import Sequence

from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.limits.recorder import ASKING_STOPPED
from logger.recording.event_log import EventLog
from logger.traffic.response_tracker import ResponseTracker, response_plan

__all__ = ["Polling"]


class Polling:
    """The requests on the buses of one recording, and which of them were answered."""

    def __init__(
        self, bench: Bench, pollers: Sequence[Poller], events: EventLog, *, start_ns: int
    ) -> None:
        """Begin; emits an event where a poller differs from its layouts, such as a lower rate.

        `pollers`: one for each bus of the bench, in order.
        """
        self._events = events
        self._names = [bus.name for bus in bench.buses]
        self._answers = [
            ResponseTracker(response_plan(bench, bus=bus_index, slower=poller.slowdown))
            for bus_index, poller in enumerate(pollers)
        ]
        for bus_index, poller in enumerate(pollers):
            for kind, text in poller.remarks:
                events.emit(kind, time_ns=start_ns, bus=bus_index, text=text)

    def match_answers(self, received: Received, *, time_ns: int) -> None:
        """Match what one bus brought with its requests, and emit the events that follow.

        `time_ns` is the recording's time.
        """
        is_lossy = bool(received.lost or received.standstills)
        if is_lossy:
            # An answer may have been among the lost frames: no joint is reported for it.
            self.reset(received.bus)
        sent = () if is_lossy else received.sent_requests
        answers = self._answers[received.bus]
        for change in answers.process_traffic(sent, received.frames, until_ns=received.until_ns):
            self._events.emit(
                change.kind,
                time_ns=max(time_ns, change.time_ns),
                joint=change.joint,
                bus=received.bus,
                text=change.text,
            )
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

    def reset(self, bus: int) -> None:
        """Drop the requests of a bus that wait for an answer, because frames of it were lost."""
        self._answers[bus].reset_pending()

    def missed_total(self, bus: int) -> int:
        """Return how many requests of a bus were not answered in time, so far."""
        return self._answers[bus].missed_total

    def end(self, time_ns: int) -> None:
        """Emit for each joint how many requests it left without an answer."""
        for answers in self._answers:
            for joint, missed in answers.missed_counts.items():
                if missed:
                    self._events.emit(
                        EventKind.UNANSWERED,
                        time_ns=time_ns,
                        joint=joint,
                        value=float(missed),
                        text=f"{joint} left {missed} of {answers.completed_counts[joint]} requests "
                        "without an answer.",
                    )
