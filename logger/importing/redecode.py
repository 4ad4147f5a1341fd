"""A recording decoded again from its raw frames, with a corrected bench file: a new recording.

Raw frames are copied unchanged; readings, derived figures, pyramid and alerts are computed again.
Notes and the recorder's own events are kept, at their times; acknowledgements and shelvings are
not, since alerts get new numbers. Where a recorder resumed after a pause, limits and position
segments start as they did then.
"""

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.campaign.plan import check_plan_for_bench
from logger.campaign.plan_settings import PlanSettings
from logger.cancellation import raise_if_stopped
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.importing.import_frames import ImportNotice, ImportResult, count_sent
from logger.importing.prefetch import prefetch_batches
from logger.importing.recorded_health import RecordedHealth
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench, Sensor, add_sensor_to_bench
from logger.limits.limit import LimitSet, check_for_bench
from logger.recording.campaign_rows import CampaignRows
from logger.recording.event_log import EventLog
from logger.recording.pause import Pause
from logger.recording.pipeline import Pipeline
from logger.recording.resume import ResumePoint
from logger.store.layout.events import Event, pause_ns
from logger.store.layout.files import status_stream
from logger.store.layout.frames_let_go import FramesLetGo, frames_lost_in
from logger.store.layout.manifest import Manifest, iso_utc, new_manifest
from logger.store.reading.attachments import attachments_of_span
from logger.store.reading.findings import all_finding_files
from logger.store.reading.raw_frames import (
    frame_parts,
    frames_of_part,
    is_copyable,
    open_finished,
)
from logger.store.reading.reader import RecordingReader
from logger.store.writing.bulk_writer import BulkWriter, discard_on_failure
from logger.time_chunks import time_chunks

__all__ = ["redecode_frames"]

CARRIED_EVENT_KINDS: Final = frozenset(
    {
        *(EventKind.NOTE, EventKind.FINDING, EventKind.DROPPED, EventKind.GARBLED),
        *(EventKind.CLOCK_STEP, EventKind.REFUSED),
        *(EventKind.BUS_LOST, EventKind.BUS_BACK, EventKind.CONTINUED, EventKind.ENDED),
        *(EventKind.STANDSTILL, EventKind.FRAMES_LET_GO),
    }
)
"""Kinds of events that do not follow from the decoded readings."""


def redecode_frames(
    recording: Path,
    *,
    bench: Bench,
    out: Path,
    limits: LimitSet | None = None,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> ImportResult:
    """Make a new recording from the raw frames of another one.

    Parameters
    ----------
    bench
        The corrected bench.
    limits
        None: those that were in force.
    progress
        Called with the share that is done, 0 to 1.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        It is no finished recording, its raw frames are damaged, bench and limits do not fit, or
        `out` exists; nothing was made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    reader = open_finished(recording)
    if not reader.bench.buses or not bench.buses:
        which = recording if not reader.bench.buses else "the bench file"
        raise InputError(
            f"{which}: found no bus, expected one: what comes from a table has no raw frames to "
            "decode again. Import the table once more."
        )
    source_manifest = reader.manifest
    assert source_manifest.ended_ns is not None, "a finished one has an end"
    _check_same_buses(reader.bench, bench, recording)
    sensors = [joint for joint in reader.bench.joints if isinstance(joint, Sensor)]
    for sensor in sensors:
        if sensor.name not in bench.sensors:
            bench = add_sensor_to_bench(bench, sensor.settings, where="the bench file")
    # The limits that it was recorded with are taken as they are, too short delays included.
    has_new_limits = limits is not None
    limits = reader.limits if limits is None else limits
    check_for_bench(limits, bench, "the limits", delays=has_new_limits)
    plan = source_manifest.read_plan(str(recording))
    if plan is not None:
        check_plan_for_bench(plan, bench, "the plan of the recording")
    parts = frame_parts(recording)
    carried = all(is_copyable(part) for part in parts)
    lost = frames_lost_in(source_manifest.frames_let_go, TIME_MIN_NS, TIME_MAX_NS)
    total = sum(part.end_row - part.first_row for part in parts)
    manifest = new_manifest(
        bench,
        name=source_manifest.name,
        note=source_manifest.note,
        started_ns=source_manifest.started_ns,
        limits=limits,
        boottime_ns=source_manifest.clock.boottime_ns,
        wall_ns=source_manifest.clock.wall_ns,
        simulated=source_manifest.simulated,
        plan=source_manifest.plan,
    ).model_copy(
        update={
            "resumed": source_manifest.resumed,
            "cut_short": source_manifest.cut_short,
            "frames_let_go": source_manifest.frames_let_go if carried else lost,
        }
    )
    writer = _SegmentTrackingWriter(out, manifest, bench, with_frames=not carried)
    with discard_on_failure(writer):
        redecoder = _Redecoder(reader, bench, limits, writer, plan)
        for part in parts if carried else []:
            writer.carry_part("frames", part)
        done_parts = sent = 0
        with prefetch_batches(
            frames for part in parts for frames in frames_of_part(part)
        ) as batches:
            for batch in batches:
                raise_if_stopped(stop, out)
                redecoder.process_frames(batch)
                sent += count_sent(batch)
                writer.tick()
                done_parts += len(batch)
                progress(done_parts / max(total, 1))
        redecoder.finish(source_manifest.ended_ns)
        for sensor in sensors:
            redecoder.carry_sensor(reader, sensor, stop=stop)
        for finding_id, content in all_finding_files(recording):
            writer.carry_finding(finding_id, content)
        for path in attachments_of_span(recording, TIME_MIN_NS, TIME_MAX_NS):
            writer.carry_attachment(path)
        raise_if_stopped(stop, out)
        writer.close(ended_ns=source_manifest.ended_ns, cause=source_manifest.end_cause)
    return ImportResult(
        path=out,
        start_ns=source_manifest.started_ns,
        end_ns=source_manifest.ended_ns,
        frames=total,
        readings={
            joint.name: writer.row_count(status_stream(joint.name)) for joint in bench.joints
        },
        rejected=redecoder.rejected,
        sent=sent,
        notices=tuple(_lost_notices(lost, recording)),
    )


def _lost_notices(lost: Sequence[FramesLetGo], recording: Path) -> Iterator[ImportNotice]:
    for span in lost:
        yield ImportNotice(
            kind=EventKind.FRAMES_LET_GO,
            time_ns=span.to_ns,
            text=f"The raw frames from {iso_utc(span.from_ns)} to {iso_utc(span.to_ns)} were let "
            "go by the plan's keep rule, so nothing of that time is in the new recording; its "
            f"readings are still in {recording}.",
        )


def _check_same_buses(old: Bench, new: Bench, recording: Path) -> None:
    names = [bus.name for bus in old.buses]
    if len(names) > 1 and [bus.name for bus in new.buses][: len(names)] != names:
        raise InputError(
            f"{recording}: its raw frames are those of the buses {', '.join(names)}, in that "
            "order; expected a bench file that begins with the same buses in that order, found "
            f"{', '.join(bus.name for bus in new.buses)}."
        )


class _SegmentTrackingWriter(BulkWriter):
    """A bulk writer that remembers the newest position segment of each joint."""

    def __init__(self, path: Path, manifest: Manifest, bench: Bench, *, with_frames: bool) -> None:
        super().__init__(path, manifest, bench)
        self._with_frames = with_frames
        self.segments: dict[str, int] = {}

    def append_frames(self, batch: FrameBatch) -> None:
        if self._with_frames:
            super().append_frames(batch)

    def append_readings(self, batch: ReadingBatch) -> None:
        super().append_readings(batch)
        newest = int(batch.position_segment.max(initial=-1))
        if newest >= 0:
            self.segments[batch.joint] = newest


class _Redecoder:
    """Processes frames and carried events in order of time."""

    def __init__(
        self,
        reader: RecordingReader,
        bench: Bench,
        limits: LimitSet,
        writer: _SegmentTrackingWriter,
        plan: PlanSettings | None,
    ) -> None:
        self._lost = reader.manifest.frames_let_go
        self._campaign = None
        if plan is not None:
            span = reader.span_ns("frames")
            start_ns = span[0] if span and self._lost else reader.manifest.started_ns
            self._campaign = CampaignRows(plan, bench, start_ns=start_ns)
        self._bench, self._limits, self._writer = bench, limits, writer
        self._health = RecordedHealth(reader)
        self._events: list[Event] = []
        carried_events = _carried_events(reader.read_events())
        if self._campaign is not None:
            self._campaign.add_breaks(carried_events)
        self._standstills = _standstills(carried_events, self._lost, len(bench.buses))
        self._next_event = iter(carried_events)
        self._next = next(self._next_event, None)
        self._newest_ns = reader.manifest.started_ns
        self._rejected_before: Counter[str] = Counter()
        self._start_pipeline(ResumePoint(), self._newest_ns)

    @property
    def rejected(self) -> Counter[str]:
        """Reason in words -> frames that no layout explains for it, over all recorded spans."""
        return self._rejected_before + self._pipeline.rejected

    def _start_pipeline(self, start: ResumePoint, time_ns: int) -> None:
        self._log = EventLog(self._bench, self._writer, start=start, on_event=self._events.append)
        self._pipeline = Pipeline(
            self._bench,
            self._limits,
            self._writer,
            self._log,
            start_ns=time_ns,
            start=start,
            campaign=self._campaign,
        )
        self._log.begin(time_ns)
        for start_ns, end_ns, bus in self._standstills:
            if end_ns > time_ns:
                self._pipeline.note_standstill(max(start_ns, time_ns), end_ns, bus=bus)

    def process_frames(self, frames: FrameBatch) -> None:
        """Process frames, split at the times of carried events between them."""
        first = 0
        while self._next is not None and self._next.time_ns <= frames.time_ns[-1]:
            event_row = int(np.searchsorted(frames.time_ns, self._next.time_ns, "left"))
            if event_row > first:
                self._process_until(frames.select_rows(slice(first, event_row)))
                first = event_row
            self._emit_event(self._next)
            self._next = next(self._next_event, None)
        self._process_until(frames.select_rows(slice(first, None)) if first else frames)

    def _process_until(self, frames: FrameBatch, *, now_ns: int | None = None) -> None:
        if now_ns is None:
            now_ns = int(frames.time_ns[-1])
        self._pipeline.process(frames, now_ns=now_ns)
        if self._pipeline.is_second_over(now_ns):
            self._pipeline.record_seconds(now_ns, self._health.health_at(now_ns))
        self._newest_ns = now_ns

    def _emit_event(self, event: Event) -> None:
        if event.kind == EventKind.ENDED:
            self._process_until(FrameBatch.empty(), now_ns=max(event.time_ns, self._newest_ns))
        if event.kind == EventKind.CONTINUED:
            self._resume_after(event)
        elif event.kind in {EventKind.NOTE, EventKind.FINDING}:
            self._log.emit(
                event.kind,
                time_ns=event.time_ns,
                joint=event.joint,
                text=event.text,
                who=event.who,
                duration_s=event.duration_s,
            )
        else:
            if event.kind == EventKind.DROPPED:
                self._pipeline.lost += event.whole_value
            self._log.emit(
                event.kind,
                time_ns=event.time_ns,
                text=event.text,
                joint=event.joint,
                channel=event.channel,
                value=event.value,
                duration_s=event.duration_s,
                bus=event.bus,
                frame=event.frame,
            )

    def _resume_after(self, event: Event) -> None:
        """Start a new pipeline as the recorder did that resumed there."""
        ended_ns = event.time_ns - pause_ns(event)
        self._rejected_before = self.rejected
        start = replace(
            ResumePoint.from_events(
                self._events,
                newest_ns=ended_ns,
                ended_ns=ended_ns,
                segments=dict(self._writer.segments),
            ),
            joint_states=self._pipeline.limit_states,
            pause=Pause(duration_s=event.duration_s, text=event.text),
            memories=self._pipeline.turn_memories,
        )
        self._start_pipeline(start, event.time_ns)

    def carry_sensor(
        self, reader: RecordingReader, sensor: Sensor, *, stop: threading.Event | None
    ) -> None:
        """Copy a sensor's readings, which do not come from frames."""
        span = reader.span_ns(status_stream(sensor.name))
        if span is None:
            return
        for start_ns, end_ns in time_chunks(span[0], span[1] + 1):
            raise_if_stopped(stop, self._writer.path)
            self._writer.append_readings(
                reader.read_readings(
                    sensor.name, start_ns=start_ns, end_ns=end_ns, channels=sensor.channels
                )
            )
            self._writer.tick()

    def finish(self, ended_ns: int) -> None:
        """Emit the carried events after the last frame, the end among them."""
        while self._next is not None:
            self._emit_event(self._next)
            self._next = next(self._next_event, None)
        self._process_until(FrameBatch.empty(), now_ns=max(ended_ns, self._newest_ns))
        self._pipeline.finish(ended_ns)


def _standstills(
    events: Sequence[Event], lost: Sequence[FramesLetGo], buses: int
) -> list[tuple[int, int, int]]:
    """Return (start, end, bus) of spans without frames in which no joint was silent, in order.

    Those in which the recorder stood still, and those whose frames were let go.
    """
    spans = [
        (event.time_ns - pause_ns(event), event.time_ns, event.bus)
        for event in events
        if event.kind == EventKind.STANDSTILL
        and event.bus is not None
        and not any(span.from_ns <= event.time_ns <= span.to_ns for span in lost)
    ]
    spans += [(span.from_ns, span.to_ns, bus) for span in lost for bus in range(buses)]
    return sorted(spans, key=lambda span: span[1])


def _carried_events(events: Sequence[Event]) -> list[Event]:
    """Return the events that are carried over, in order of time, then of sequence."""
    carried = [event for event in events if event.kind in CARRIED_EVENT_KINDS]
    carried.sort(key=lambda event: (event.time_ns, event.sequence))
    return carried
