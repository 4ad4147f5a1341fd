"""Polling: which requests were answered, and what is told of it.

The receiving threads ask and say what they sent; here it is held against what came back, counted,
and made into events and alerts. For the writing thread.
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
    """What is asked on the buses of one recording."""

    def __init__(
        self, bench: Bench, askers: Sequence[Poller], events: EventLog, *, start_ns: int
    ) -> None:
        """Begin, and say how it is asked where that is not as the layouts have it."""
        self._events = events
        self._names = [bus.name for bus in bench.buses]
        self._answers = [
            ResponseTracker(response_plan(bench, bus=place, slower=asker.slowdown))
            for place, asker in enumerate(askers)
        ]
        for place, asker in enumerate(askers):
            for kind, text in asker.remarks:
                events.emit(kind, time_ns=start_ns, bus=place, text=text)

    def match_answers(self, received: Received, *, time_ns: int) -> None:
        """Count the answers, and say what happened; `time_ns` is the recording's time."""
        if received.lost:
            # An answer may have been among them: nobody is blamed for it.
            self.reset(received.bus)
        sent = () if received.lost else received.sent_requests
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
                    text=f"Nothing is asked on the bus {self._names[received.bus]} any more, until "
                    "recording begins anew, and no stop frame is sent there: somebody else sends "
                    "an identifier of ours.",
                )

    def reset(self, bus: int) -> None:
        """Judge nothing that waits for an answer on a bus: frames of it were lost."""
        self._answers[bus].reset_pending()

    def missed_total(self, bus: int) -> int:
        """Return how many requests of a bus nobody answered in time, so far."""
        return self._answers[bus].missed_total

    def end(self, time_ns: int) -> None:
        """Say of each joint how many requests it left without an answer."""
        for answers in self._answers:
            for joint, missed in answers.missed_counts.items():
                if missed:
                    self._events.emit(
                        EventKind.UNANSWERED,
                        time_ns=time_ns,
                        joint=joint,
                        value=float(missed),
                        text=f"{joint} left {missed} of {answers.completed_counts[joint]} requests without "
                        "an answer.",
                    )
