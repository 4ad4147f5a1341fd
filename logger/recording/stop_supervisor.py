"""Stop frames: ordered on a trip, and watched until the readings show whether the joint stops.

A trip that is raised orders the stop frame of its joint; the readings after it show whether it
worked. Both become events, and a stop without effect becomes an alert. A convenience, no safety
function. The writer's loop owns it and passes events and readings in; its only output is the event
log. For the writing thread.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from logger.arrays import to_ns, to_s
from logger.bus.stop_sender import STOP_GIVE_UP_S, StopReport, StopSender
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.bench.identifiers import format_id
from logger.joint.bench.stop_frame import StopFrame
from logger.limits.recorder import ONE_SHOT_LIMITS, STOP_WITHOUT_EFFECT
from logger.recording.event_log import EventLog
from logger.store.layout.events import Event

__all__ = ["StopSupervisor"]

SEEN_NS: Final = 50_000_000
"""How long the value has to stay below: a speed that only changes its sign is no stop."""
STUCK_NS: Final = 1_000_000_000
"""After this long without a report of the receiving thread, its driver blocks it."""
_UNITS: Final = {"current_A": "A", "speed_rad_s": "rad/s"}


@dataclass(slots=True, kw_only=True)
class _Run:
    """One joint from its trip until it is known whether it stopped."""

    limit: str
    tripped_ns: int
    frame: StopFrame
    named: str
    sent_ns: int | None = None
    count: int = 0
    unsent: bool = False
    over: bool = False
    reported: bool = False
    """Whether the event that it was sent has been emitted."""
    below_ns: int | None = None
    """Since when the watched value has been below its bound; None: it is not."""
    seen: bool = False
    """Whether it stayed below for `SEEN_NS`."""
    newest: float = math.nan
    """Newest watched value since the stop frame."""


class StopSupervisor:
    """Orders and watches the stops of all joints of a recording."""

    def __init__(
        self, stops: Sequence[StopSender], events: EventLog, labels: Mapping[str, str]
    ) -> None:
        """Begin with nothing ordered.

        Parameters
        ----------
        stops
            The sender of each bus.
        labels
            Joint -> what people call it.
        """
        self._labels = labels
        self._events = events
        self._senders = [sender for sender in stops if sender]
        self._sender_of = {joint: sender for sender in self._senders for joint in sender.frames}
        self._runs: dict[str, _Run] = {}

    def begin(self, time_ns: int) -> None:
        """Emit which joints are stopped on a trip."""
        if self._sender_of:
            named = ", ".join(
                f"{self._labels[joint]} ({_frame_name(sender, joint)})"
                for joint, sender in self._sender_of.items()
            )
            self._events.emit(
                EventKind.STOP_ARMED,
                time_ns=time_ns,
                text=f"On a trip a stop frame is sent to {named}. This is a convenience, no safety "
                "function.",
            )

    def on_event(self, event: Event) -> None:
        """Order the stop of a joint whose limit has tripped, unless its stop is running."""
        joint = event.joint
        if (
            event.kind == EventKind.RAISED
            and event.severity == "trip"
            and event.limit not in ONE_SHOT_LIMITS
            and joint in self._sender_of
            and joint not in self._runs
        ):
            sender = self._sender_of[joint]
            sender.order_stop(joint)
            self._runs[joint] = _Run(
                limit=event.limit,
                tripped_ns=event.time_ns,
                frame=sender.frames[joint][1],
                named=_frame_name(sender, joint),
            )

    def on_readings(self, readings: ReadingBatch) -> None:
        """Check whether a joint has stopped; its readings have to come in order of time."""
        if not self._runs:
            return
        self._fetch_reports()
        run = self._runs.get(readings.joint)
        if run is None or run.sent_ns is None or run.frame.until is None or run.seen:
            return
        times, values = readings.channel_series(run.frame.until.channel)
        late_ns = run.sent_ns + to_ns(run.frame.until.within_s)
        for time_ns, value in zip(times.tolist(), values.tolist(), strict=True):
            if not run.sent_ns < time_ns < late_ns:
                continue
            run.newest = value
            if abs(value) >= run.frame.until.below:
                run.below_ns = None
            elif run.below_ns is None:
                run.below_ns = time_ns
            elif time_ns - run.below_ns >= SEEN_NS:
                run.seen = True
                self._sender_of[readings.joint].confirm_stopped(readings.joint)
                return

    def update(self, time_ns: int) -> None:
        """Emit what has become of the orders by `time_ns` of the recording."""
        if not self._runs:
            return
        self._fetch_reports()
        for joint, run in list(self._runs.items()):
            if run.sent_ns is not None and not run.reported:
                run.reported = True
                self._emit_sent(joint, run, time_ns)
            if self._emit_outcome(joint, run, time_ns):
                del self._runs[joint]

    def end(self, time_ns: int) -> None:
        """Emit for each stop still watched that its effect remains unknown."""
        self.update(time_ns)
        for joint, run in self._runs.items():
            self._events.emit(
                EventKind.STOP_UNSEEN,
                time_ns=time_ns,
                joint=joint,
                limit=run.limit,
                text=f"{self._labels[joint]}: recording ends before it shows whether the stop "
                "frame worked.",
            )
        self._runs = {}

    def _fetch_reports(self) -> None:
        """Take note of what the receiving threads report."""
        for sender in self._senders:
            while not sender.reports.empty():
                self._update_run(sender.reports.get())

    def _update_run(self, report: StopReport) -> None:
        run = self._runs.get(report.joint)
        if run is None:
            return
        run.count = report.count
        if report.kind == "sent":
            run.sent_ns = report.time_ns
        else:
            run.over, run.unsent = True, report.kind == "unsent"

    def _emit_sent(self, joint: str, run: _Run, time_ns: int) -> None:
        assert run.sent_ns is not None, "the caller has checked it"
        after_s = to_s(run.sent_ns - run.tripped_ns)
        until = "" if run.frame.until is None else f" or until {_expected(run)}"
        self._events.emit(
            EventKind.STOP_SENT,
            time_ns=max(time_ns, run.sent_ns),
            joint=joint,
            limit=run.limit,
            duration_s=after_s,
            text=f"{self._labels[joint]}: stop frame {run.named} sent {after_s * 1e3:.0f} ms after "
            f"{run.limit!r} tripped; up to {run.frame.repeat} times{until}.",
        )

    def _emit_outcome(self, joint: str, run: _Run, time_ns: int) -> bool:
        """Emit how a stop ended, if it has; return whether it is over."""
        until = run.frame.until
        timeout_ns = to_ns(STOP_GIVE_UP_S if until is None else until.within_s)
        if run.sent_ns is None:
            stuck = time_ns - run.tripped_ns > timeout_ns + STUCK_NS
            if run.unsent or stuck:
                self._raise_without_effect(
                    joint,
                    time_ns,
                    f"the stop frame {run.named} could not be sent: its bus is lost or accepts "
                    "no frames, or another node sends that identifier",
                )
            return run.unsent or stuck
        if until is None:
            return run.over
        late = time_ns >= run.sent_ns + timeout_ns
        # Below for a moment is no stop: so is a speed that changes its sign.
        if run.below_ns is not None and run.seen and (run.over or late):
            after_s = to_s(run.below_ns - run.sent_ns)
            self._events.emit(
                EventKind.STOP_SEEN,
                time_ns=time_ns,
                joint=joint,
                limit=run.limit,
                channel=until.channel,
                duration_s=after_s,
                text=f"{self._labels[joint]}: stop seen after {after_s:.2f} s ({_expected(run)}); "
                f"the frame was sent {_times(run.count)}.",
            )
            return True
        if late:
            unit = _UNITS[until.channel]
            newest = (
                f"no {until.channel} was received"
                if math.isnan(run.newest)
                else f"{until.channel} is still {run.newest:.4g} {unit}"
            )
            self._raise_without_effect(
                joint,
                time_ns,
                f"{until.within_s:g} s after the stop frame {run.named}, sent {_times(run.count)}, "
                f"{newest}; expected {_expected(run)}",
            )
        return late

    def _raise_without_effect(self, joint: str, time_ns: int, what: str) -> None:
        self._events.raise_recorder_alert(
            STOP_WITHOUT_EFFECT,
            time_ns=time_ns,
            joint=joint,
            text=f"{self._labels[joint]}: {what}. Stop it by other means.",
        )


def _frame_name(stops: StopSender, joint: str) -> str:
    message = stops.frames[joint][0]
    return format_id(message.arbitration_id, extended=message.is_extended_id)


def _expected(run: _Run) -> str:
    until = run.frame.until
    assert until is not None, "called only for frames with a condition"
    return f"{until.channel} below {until.below:g} {_UNITS[until.channel]}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
