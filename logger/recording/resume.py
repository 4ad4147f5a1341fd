"""The state from which a recording is resumed.

Everything is read back from the recording itself: the alerts that are active, the newest sequence
and alert numbers, the newest position segment of each joint, the memory of limits. On-delays that
were running are not restored: the time without a recorder is a gap, and a gap restarts them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from logger.arrays import to_ns, to_s
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.decode.decode import DecodeState, decode_plan, state_for_resume
from logger.joint.decode.encoder_position import turn_memory_of
from logger.joint.decode.turn_memory import EVIDENCE_NS, REST_NS, TurnMemory
from logger.limits.evaluate import EvaluationState, LimitPlan, after_restart, initial_state
from logger.limits.lifecycle import Alert, alerts_from_events
from logger.limits.scored_limit import ScoredLimit
from logger.recording.campaign_resume import recorded_campaign
from logger.recording.campaign_start import CampaignStart
from logger.recording.pause import Pause
from logger.recording.thermal_resume import History, rebuild_limit_memory
from logger.store.layout.events import Event, raised_in
from logger.store.layout.files import status_stream
from logger.store.layout.lock import check_not_written
from logger.store.layout.manifest import ClockAnchor, iso_utc
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.time_chunks import time_chunks

__all__ = [
    "NEW_RECORDING",
    "ResumePoint",
    "ResumeReader",
    "pause_before",
    "resume_limits",
    "resume_point",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResumePoint:
    """What a recorder continues from: newest numbers, active alerts, access to the stored rows."""

    newest_ns: int = 0
    """Time of the newest row of any stream; 0: there is none yet."""
    ended_ns: int = 0
    """When the previous recorder ended; notes may have been added later."""
    clock: ClockAnchor | None = None
    """The anchor of the previous recorder's time axis."""
    pause: Pause | None = None
    """What is known of the time without a recorder; None: only what the axis says."""
    sequence: int = 0
    """Number of the next event."""
    alerts: int = 0
    """Number of the newest alert."""
    open_alerts: Mapping[tuple[str, str], Alert] = field(default_factory=dict)
    """(joint, limit) -> the alert that had not returned at the end."""
    raised: Mapping[int, Event] = field(default_factory=dict)
    """Number of an alert -> the event that raised it."""
    segments: Mapping[str, int] = field(default_factory=dict)
    """Joint -> its newest position segment."""
    memories: Mapping[str, TurnMemory] = field(default_factory=dict)
    """Joint -> what is remembered of its rests, by which lost turns are found."""
    lost: int = 0
    """Frames that were lost so far."""
    start_times_ns: tuple[int, ...] = ()
    """When recording began, and each time that it was resumed."""
    joint_states: Mapping[str, EvaluationState] = field(default_factory=dict)
    """State of the limits of each joint, from a caller that still has it in memory; for joints
    that are missing here it is rebuilt from `history`."""
    history: History | None = None
    """Reads the stored readings; None: there are none."""
    campaign: CampaignStart | None = None
    """Where the plan goes on that the recording follows."""

    @classmethod
    def from_events(
        cls,
        events: Sequence[Event],
        *,
        newest_ns: int,
        ended_ns: int,
        segments: Mapping[str, int],
    ) -> "ResumePoint":
        """Return the resume point after `events`, which are all events in sequence."""
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
            lost=sum(event.whole_value for event in events if event.kind == EventKind.DROPPED),
        )

    @property
    def is_resume(self) -> bool:
        """Whether an existing recording is resumed."""
        return self.sequence > 0

    def decode_state(self) -> DecodeState:
        """Return the state with which the decoder starts after the newest position segments."""
        return state_for_resume(self.segments, self.memories)


NEW_RECORDING: Final = ResumePoint()
_ONSET_LOOKBACK_NS: Final = 60 * 1_000_000_000
"""How far before the onset of an alert the reading is searched that the onset refers to."""


class ResumeReader:
    """Reads from where a recording is resumed; asked again, it reads only what is new."""

    def __init__(self, path: Path) -> None:
        """Open the recording.

        Raises
        ------
        InputError
            It is no recording, or a logger is writing it.
        """
        check_not_written(path)
        self._path = path
        # Opened before it is sealed: a folder that is no recording gets no lock file.
        self._reader = RecordingReader(path)
        self._point: ResumePoint | None = None

    def read_point(self) -> ResumePoint:
        """Seal what a crash left and return the point to resume from.

        Raises
        ------
        InputError
            A logger is writing it.
        OutsideFault
            The disk took no more.
        """
        check_not_written(self._path)
        has_sealed = seal(self._path, every_part=False)
        if self._reader.refresh() or has_sealed or self._point is None:
            self._point = _recorded_point(self._reader)
        return self._point


def resume_point(path: Path) -> ResumePoint:
    """Seal what a crash left in a recording and return the point to resume it from.

    Raises
    ------
    InputError
        It is no recording, or a logger is writing it.
    OutsideFault
        The disk took no more.
    """
    return ResumeReader(path).read_point()


def _recorded_point(reader: RecordingReader) -> ResumePoint:
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

    return replace(
        start,
        clock=(reader.manifest.clock, *reader.manifest.resumed)[-1],
        start_times_ns=(reader.manifest.started_ns, *resumed_ns),
        history=history,
        memories=_recorded_memories(reader, segments),
        campaign=recorded_campaign(reader),
    )


def _recorded_memories(
    reader: RecordingReader, segments: Mapping[str, int]
) -> dict[str, TurnMemory]:
    """Return what the stored readings tell of the turns of each joint."""
    memories = {}
    for plan in decode_plan(reader.bench).joints:
        joint = plan.joint.name
        span = reader.span_ns(status_stream(joint))
        if plan.find is None or joint not in segments or span is None:
            continue
        # A rest that begins just before what is evidence is one as well.
        start_ns = span[1] - EVIDENCE_NS - 2 * REST_NS - plan.find.hold_ns
        readings = reader.read_readings(
            joint, start_ns=start_ns, end_ns=span[1] + 1, channels=plan.channels
        )
        memories[joint] = turn_memory_of(plan, readings, segment=segments[joint])
    return memories


def resume_limits(plan: LimitPlan, start: ResumePoint, *, start_ns: int) -> EvaluationState:
    """Return the state of a joint's limits at the resume.

    Active alerts stay active, and a thermal image has cooled since the end; everything else starts
    from its initial state.
    """
    ended_state = start.joint_states.get(plan.joint) or _recorded_limit_state(
        plan, start, start_ns=start_ns
    )
    return after_restart(plan, ended_state, time_ns=start_ns)


def _recorded_limit_state(plan: LimitPlan, start: ResumePoint, *, start_ns: int) -> EvaluationState:
    """Return the state of a joint's limits at the end, as far as the recording holds it."""
    fresh = initial_state(plan, start_ns=start_ns)
    state, memories = dict(fresh.limits), dict(fresh.memories)
    for limit in plan.limits:
        if isinstance(limit, ScoredLimit) and start.history is not None:
            memory = rebuild_limit_memory(
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
    """Return the peak of an active alert, from the rows: its event holds the first value only."""
    if start.history is None or not limit.reported_channel:
        return alert.peak
    channel, onset_ns = limit.reported_channel, alert.raised_ns - to_ns(limit.on_delay_s)
    peak = alert.peak
    if limit.peak_is_first:
        # The reading that the value has not moved away from: the newest one at the onset.
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


def pause_before(start: ResumePoint, *, start_ns: int) -> Pause:
    """Return how long no recorder ran before `start_ns`, as far as it is known."""
    if start.pause is not None:
        return start.pause
    pause_s = to_s(start_ns - start.ended_ns)
    return Pause(
        duration_s=pause_s,
        text=f"Recording resumed after {pause_s:.1f} s without a recorder (nothing recorded since "
        f"{iso_utc(start.ended_ns)}).",
    )
