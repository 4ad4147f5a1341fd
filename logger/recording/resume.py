"""What a recording that is gone on with starts from.

Everything is read back from the recording itself: which alerts stand, how far the numbers went,
which position segments were the last, how warm thermal images are. Delays that were running are not
taken up: between then and now lies a gap, and a gap restarts them.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from logger.arrays import to_ns, to_s
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.decode.decode import DecodeState, state_for_resume
from logger.limits.evaluate import EvaluationState, LimitPlan, after_restart, initial_state
from logger.limits.lifecycle import Alert, alerts_from_events
from logger.limits.scored_limit import ScoredLimit
from logger.recording.thermal_resume import History, thermal_image_at
from logger.store.layout.events import Event, raised_in
from logger.store.layout.lock import check_not_written
from logger.store.layout.manifest import iso_utc
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.time_chunks import time_chunks

__all__ = ["NEW_RECORDING", "ResumePoint", "gap_text", "resume_limits", "resume_point"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResumePoint:
    """Where the numbers stand."""

    newest_ns: int = 0
    """Time of the newest row of any kind; 0: nothing is there yet."""
    ended_ns: int = 0
    """When the recorder before ended; notes may have come later."""
    sequence: int = 0
    """Number of the next event."""
    alerts: int = 0
    """Number of the newest alert."""
    open_alerts: Mapping[tuple[str, str], Alert] = field(default_factory=dict)
    """(joint, limit) -> the alert whose condition stood at the end."""
    raised: Mapping[int, Event] = field(default_factory=dict)
    """Number of an alert -> the event that raised it."""
    segments: Mapping[str, int] = field(default_factory=dict)
    lost: int = 0
    """Frames that were lost so far."""
    start_times_ns: tuple[int, ...] = ()
    """When recording began, and each time that it went on."""
    joint_states: Mapping[str, EvaluationState] = field(default_factory=dict)
    """Where the limits of each joint stood, by whoever has them still; else `history` says it."""
    history: History | None = None
    """What joints read until now; None: nothing is known of it."""

    @classmethod
    def from_events(
        cls,
        events: Sequence[Event],
        *,
        newest_ns: int,
        ended_ns: int,
        segments: Mapping[str, int],
    ) -> "ResumePoint":
        """Return where the numbers stand behind events, given in sequence."""
        alerts = alerts_from_events(events)
        return cls(
            newest_ns=newest_ns,
            ended_ns=ended_ns,
            sequence=events[-1].sequence + 1 if events else 1,
            alerts=max((alert.number for alert in alerts), default=0),
            open_alerts={
                (alert.joint, alert.limit): alert for alert in alerts if alert.returned_ns is None
            },
            raised=raised_in(events),
            segments=segments,
            lost=sum(
                int(event.value)
                for event in events
                if event.kind == EventKind.DROPPED and not math.isnan(event.value)
            ),
        )

    @property
    def is_resume(self) -> bool:
        """Whether there is something to go on from."""
        return self.sequence > 0

    def decode_state(self) -> DecodeState:
        """Return the state of the decoder."""
        return state_for_resume(self.segments)


NEW_RECORDING: Final = ResumePoint()
_ONSET_LOOKBACK_NS: Final = 60 * 1_000_000_000


def resume_point(path: Path) -> ResumePoint:
    """Seal what a crash left in a recording and return where it stands.

    Raises
    ------
    InputError
        It is no recording, or a logger is writing it.
    OutsideFault
        The disk took no more.
    """
    check_not_written(path)
    # An unsealed recording is opened first: a folder that is none gets no lock file.
    RecordingReader(path)
    seal(path)
    reader = RecordingReader(path)
    spans = [span for stream in reader.schemas if (span := reader.span_ns(stream))]
    segments = {}
    for joint in reader.bench.joints:
        segment = reader.last_segment(joint.name)
        if segment is not None:
            segments[joint.name] = segment
    ended_ns = reader.manifest.ended_ns or reader.manifest.started_ns
    events = reader.read_events()
    start = ResumePoint.from_events(
        events,
        newest_ns=max([ended_ns, *(end for _, end in spans)]),
        ended_ns=ended_ns,
        segments=segments,
    )
    resumed_ns = sorted(event.time_ns for event in events if event.kind == EventKind.CONTINUED)

    def history(joint: str, channels: Sequence[str], start_ns: int, end_ns: int) -> ReadingBatch:
        return reader.read_readings(joint, start_ns=start_ns, end_ns=end_ns, channels=channels)

    return replace(start, start_times_ns=(reader.manifest.started_ns, *resumed_ns), history=history)


def resume_limits(plan: LimitPlan, start: ResumePoint, *, start_ns: int) -> EvaluationState:
    """Return the state of a joint's limits: what stood still stands; all else begins anew.

    A thermal image is as warm as it was, less what it has cooled since.
    """
    ended_state = start.joint_states.get(plan.joint) or _recorded_limit_state(
        plan, start, start_ns=start_ns
    )
    return after_restart(plan, ended_state, time_ns=start_ns)


def _recorded_limit_state(plan: LimitPlan, start: ResumePoint, *, start_ns: int) -> EvaluationState:
    """Return how the limits of a joint stood, as far as the recording tells."""
    fresh = initial_state(plan, start_ns=start_ns)
    state, memories = dict(fresh.limits), dict(fresh.memories)
    for limit in plan.limits:
        if isinstance(limit, ScoredLimit) and start.history is not None:
            memory = thermal_image_at(
                limit, plan, start.history, start_times_ns=start.start_times_ns, now_ns=start_ns
            )
            if memory is not None:
                memories[limit.name] = memory
        alert = start.open_alerts.get((plan.joint, limit.name))
        if alert is None:
            continue
        peak = alert.peak
        if isinstance(limit, ScoredLimit):
            peak = _recorded_peak(limit, plan.joint, alert, start)
        state[limit.name] = limit.raised_state(alert.raised_ns, peak)
    return EvaluationState(limits=state, memories=memories)


def _recorded_peak(limit: ScoredLimit, joint: str, alert: Alert, start: ResumePoint) -> float:
    """Return how far an alert had gone: its event tells only where it was raised."""
    if start.history is None or not limit.reported_channel:
        return alert.peak
    channel, onset_ns = limit.reported_channel, alert.raised_ns - to_ns(limit.on_delay_s)
    peak = alert.peak
    if limit.peak_is_first:
        # The reading from which it has not moved: the newest one when the wait began.
        earlier_readings = start.history(
            joint, [channel], onset_ns - _ONSET_LOOKBACK_NS, onset_ns + 1
        )
        _, values = earlier_readings.channel_series(channel)
        return float(values[-1]) if len(values) else alert.peak
    for begin_ns, until_ns in time_chunks(onset_ns, start.ended_ns + 1):
        rows = start.history(joint, [channel], begin_ns, until_ns)
        _, values = rows.channel_series(channel)
        values_reached = np.append(values, peak)
        peak = float(values_reached[int(limit.rank(values_reached).argmax())])
    return peak


def gap_text(start: ResumePoint, *, start_ns: int) -> str:
    """Return what is said where a recording goes on."""
    away_s = to_s(start_ns - start.ended_ns)
    return (
        f"Recording goes on after {away_s:.1f} s without a recorder (nothing since "
        f"{iso_utc(start.ended_ns)})."
    )
