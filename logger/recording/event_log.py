"""The events of one recording: numbered, written, passed on.

An alert has a number of its own, which each event of its life carries. An alert about the recorder
itself stays active until it is acknowledged or the recording ends. The same for a bus, a log and a
simulation; the caller owns the clock.
"""

import math
from collections.abc import Callable
from typing import Final

from logger.arrays import to_s
from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.joint.decode.text_codes import Notice
from logger.limits.limit_change import EventSeverity, LimitChange
from logger.limits.recorder import ONE_SHOT_LIMITS, one_shot_trip
from logger.notify.delivery_report import DeliveryReport
from logger.recording.resume import NEW_RECORDING, ResumePoint, pause_before
from logger.store.layout.events import Event
from logger.store.writing.inbox import EventRequest, to_event
from logger.store.writing.row_writer import RowWriter

__all__ = ["EventLog"]

MAX_RAISED: Final = 10_000
"""Newest alerts of which the event that raised them is kept: what is done to one of them is told
with joint and limit, to an older one with its number only."""


class EventLog:
    """Makes the events of a recording, each the next in the sequence."""

    def __init__(
        self,
        bench: Bench,
        writer: RowWriter,
        *,
        start: ResumePoint = NEW_RECORDING,
        on_event: Callable[[Event], None] = lambda _event: None,
    ) -> None:
        """Begin with the numbers of `start`; `on_event` gets each event once it is written."""
        self._bench = bench
        self._writer = writer
        self._on_event = on_event
        self._start = start
        self._sequence = start.sequence
        self._alerts = start.alerts
        self._open = {key: alert.number for key, alert in start.open_alerts.items()}
        # In order of their numbers, which only grow.
        self._raised = dict(list(start.raised.items())[-MAX_RAISED:])
        self._recorder_alerts: dict[int, LimitChange] = {}
        self._follow: Callable[[Event], None] = lambda _event: None

    def follow_events(self, follow: Callable[[Event], None]) -> None:
        """Call `follow` with each event from here on."""
        self._follow = follow

    def begin(self, time_ns: int, *, note: str = "") -> None:
        """Emit that recording starts, or that it is resumed and for how long nothing was recorded.

        `note`: a note of the user, an event of its own; "" is none.
        """
        if self._start.is_resume:
            pause = pause_before(self._start, start_ns=time_ns)
            self.emit(
                EventKind.CONTINUED,
                time_ns=time_ns,
                duration_s=pause.duration_s,
                # How long it is on the recording's axis, which never goes back with a clock.
                value=to_s(time_ns - self._start.ended_ns),
                text=pause.text,
            )
            for joint, limit in list(self._open):
                if joint == "" or limit in ONE_SHOT_LIMITS:
                    # The previous recorder watched these about itself; this one starts afresh.
                    self._return_previous_alert(joint, limit, time_ns)
        else:
            self.emit(EventKind.STARTED, time_ns=time_ns, text="Recording started.")
        # It holds a reader of all that was recorded before.
        self._start = NEW_RECORDING
        if note:
            self.emit(EventKind.NOTE, time_ns=time_ns, text=note)

    def end(self, time_ns: int, *, cause: str) -> None:
        """Emit that recording ends; the recorder's own alerts return, unwatched from here on."""
        for number in list(self._recorder_alerts):
            self._return_recorder_alert(number, time_ns, "The recording ends.")
        self.emit(EventKind.ENDED, time_ns=time_ns, text=f"Recording ended: {cause}.")

    def emit(
        self,
        kind: EventKind,
        *,
        time_ns: int,
        text: str,
        joint: str = "",
        limit: str = "",
        severity: EventSeverity = "",
        alert: int = 0,
        channel: str = "",
        value: float = math.nan,
        duration_s: float = math.nan,
        who: str = "",
        bus: int | None = None,
        frame: str = "",
        request: str = "",
        anchor: str = "",
        stage: str = "",
    ) -> None:
        """Make an event; `bus` None: the bus of its joint, if it has one."""
        if bus is None and joint:
            bus = self._bench.bus_of_joint(joint)
        self._publish(
            Event(
                sequence=self._sequence,
                time_ns=time_ns,
                kind=kind,
                joint=joint,
                limit=limit,
                severity=severity,
                alert=alert,
                channel=channel,
                value=value,
                text=text,
                who=who,
                duration_s=duration_s,
                bus=bus,
                frame=frame,
                request=request,
                anchor=anchor,
                stage=stage,
            )
        )

    def emit_request(self, request: EventRequest, *, time_ns: int) -> None:
        """Make an event of a request from the inbox."""
        raised = self._raised.get(request.alert)
        self._publish(to_event(request, sequence=self._sequence, time_ns=time_ns, raised=raised))
        if request.kind == "acknowledge" and request.alert in self._recorder_alerts:
            self._return_recorder_alert(request.alert, time_ns, "Acknowledged.")

    def emit_report(self, report: DeliveryReport, *, time_ns: int) -> None:
        """Make an event of what came of a message about an alert."""
        raised = self._raised.get(report.alert)
        self.emit(
            report.kind,
            time_ns=time_ns,
            joint="" if raised is None else raised.joint,
            limit="" if raised is None else raised.limit,
            severity="" if raised is None else raised.severity,
            alert=report.alert,
            who=report.target,
            text=report.text,
        )

    def emit_notice(self, notice: Notice) -> None:
        """Make an event of a text that a joint reported."""
        self.emit(
            notice.kind,
            time_ns=notice.time_ns,
            joint=notice.joint,
            channel=notice.channel,
            value=notice.value,
            frame=notice.frame,
            text=notice.text,
        )

    def emit_change(self, change: LimitChange, text: str, *, bus: int | None = None) -> None:
        """Make an event of a limit that was raised or has returned: an alert begins or ends."""
        key = (change.joint, change.limit)
        raised = change.kind == EventKind.RAISED
        if raised:
            self._alerts += 1
            self._open[key] = self._alerts
        self.emit(
            change.kind,
            time_ns=change.time_ns,
            joint=change.joint,
            limit=change.limit,
            severity=change.severity,
            alert=self._open.get(key, 0),
            channel=change.channel,
            value=change.value if raised else change.peak,
            duration_s=to_s(change.time_ns - change.onset_ns)
            if raised
            else self._standing_s(self._open.get(key, 0), change.time_ns),
            bus=bus,
            text=text,
        )

    def raise_recorder_alert(
        self, limit: str, *, time_ns: int, text: str, joint: str = "", bus: int | None = None
    ) -> None:
        """Raise an alert of the recorder's own, active until it is acknowledged."""
        change = one_shot_trip(limit, time_ns=time_ns, joint=joint)
        self.emit_change(change, text, bus=bus)
        self._recorder_alerts[self._open[(joint, limit)]] = change

    def _return_previous_alert(self, joint: str, limit: str, time_ns: int) -> None:
        alert = self._start.open_alerts[(joint, limit)]
        self.emit(
            EventKind.RETURNED,
            time_ns=time_ns,
            joint=joint,
            limit=limit,
            severity=alert.severity,
            alert=self._open.pop((joint, limit)),
            value=alert.peak,
            duration_s=to_s(time_ns - alert.raised_ns),
            text="The recorder was started again, and checks this from here on.",
        )

    def _return_recorder_alert(self, number: int, time_ns: int, text: str) -> None:
        change = self._recorder_alerts.pop(number)
        self.emit(
            EventKind.RETURNED,
            time_ns=time_ns,
            joint=change.joint,
            limit=change.limit,
            severity=change.severity,
            alert=number,
            duration_s=self._standing_s(number, time_ns),
            text=text,
        )

    def _standing_s(self, alert: int, time_ns: int) -> float:
        """Return how long ago an alert was raised, NaN where that is not known."""
        raised = self._raised.get(alert)
        return math.nan if raised is None else to_s(time_ns - raised.time_ns)

    def _publish(self, event: Event) -> None:
        self._sequence += 1
        if event.kind == EventKind.RAISED:
            self._raised[event.alert] = event
            if len(self._raised) > MAX_RAISED:
                del self._raised[next(iter(self._raised))]
        self._writer.append_events([event])
        self._follow(event)
        self._on_event(event)
