"""A recording decoded again from its raw frames, with a corrected bench file: a new recording.

Raw frames are carried over as they are; readings, derived figures, overview and alerts are made
anew. What people and the recorder said stays, at its time; what was done to an alert does not,
since alerts are numbered anew. Where a recorder went on after a pause, the limits begin anew and a
new position segment starts, as they did then.
"""

import math
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from logger.errors import InputError
from logger.importing.import_frames import BroughtIn, heed, whole_or_nothing
from logger.importing.prefetch import ahead
from logger.importing.recorded_health import Fared
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench, Sensor, with_sensor
from logger.limits.limit import LimitSet, check_against
from logger.recording.pipeline import Intake
from logger.recording.resume import Start
from logger.store.layout.events import Event
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import Manifest, begun
from logger.store.reading.raw_frames import finished, frame_parts, frames_of, is_whole_frames
from logger.store.reading.reader import RecordingReader
from logger.store.writing.bulk_writer import BulkWriter
from logger.store.writing.inbox import Request

__all__ = ["redecode"]

KEPT: Final = frozenset(
    {
        *("note", "gap", "dropped", "clock step", "bus lost", "bus back", "refused"),
        *("continued", "ended"),
    }
)
"""Kinds of events that do not follow from the decoded readings."""
CARRIED_NS: Final = 600 * 10**9
"""How much of a sensor is in memory at a time."""


def redecode(
    recording: Path,
    *,
    bench: Bench,
    out: Path,
    limits: LimitSet | None = None,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> BroughtIn:
    """Make a recording of another one's raw frames.

    Parameters
    ----------
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
    reader = finished(recording)
    old = reader.manifest
    assert old.ended_ns is not None, "a finished one has an end"
    _check_buses(reader.bench, bench, recording)
    sensors = [joint for joint in reader.bench.joints if isinstance(joint, Sensor)]
    for sensor in sensors:
        if sensor.name not in bench.sensors:
            bench = with_sensor(bench, sensor.settings, where="the bench file")
    # Those that it was recorded with were in force as they stand, short delays and all.
    fresh = limits is not None
    limits = reader.limits if limits is None else limits
    check_against(limits, bench, "the limits", delays=fresh)
    parts = frame_parts(recording)
    total = sum(part.end_row - part.first_row for part in parts)
    manifest = begun(
        bench,
        name=old.name,
        note=old.note,
        started_ns=old.started_ns,
        limits=limits,
        boottime_ns=old.clock.boottime_ns,
        wall_ns=old.clock.wall_ns,
        simulated=old.simulated,
    ).model_copy(update={"resumed": old.resumed})
    carried = all(is_whole_frames(part) for part in parts)
    writer = _Writer(out, manifest, bench, with_frames=not carried)
    with whole_or_nothing(writer):
        again = _Again(reader, bench, limits, writer)
        for part in parts if carried else []:
            writer.carry("frames", part)
        done = 0
        with ahead(frames for part in parts for frames in frames_of(part)) as batches:
            for batch in batches:
                heed(stop, out)
                again.take(batch)
                writer.tick()
                done += len(batch)
                progress(done / max(total, 1))
        again.end(old.ended_ns)
        for sensor in sensors:
            again.carry(reader, sensor, stop=stop)
        heed(stop, out)
        writer.close(ended_ns=old.ended_ns, cause=old.end_cause)
    return BroughtIn(
        path=out,
        start_ns=old.started_ns,
        end_ns=old.ended_ns,
        frames=total,
        readings={joint.name: writer.rows(status_stream(joint.name)) for joint in bench.joints},
        undecoded=again.undecoded,
    )


def _check_buses(old: Bench, new: Bench, recording: Path) -> None:
    names = [bus.name for bus in old.buses]
    if len(names) > 1 and [bus.name for bus in new.buses][: len(names)] != names:
        raise InputError(
            f"{recording}: its raw frames are those of the buses {', '.join(names)}, by their "
            "place; expected a bench file that begins with the same buses in that order, found "
            f"{', '.join(bus.name for bus in new.buses)}."
        )


class _Writer(BulkWriter):
    """The writer, which knows how far the position segments went."""

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


class _Again:
    """Goes through frames and what was said beside them in order of time."""

    def __init__(
        self, reader: RecordingReader, bench: Bench, limits: LimitSet, writer: _Writer
    ) -> None:
        self._bench, self._limits, self._writer = bench, limits, writer
        self._fared = Fared(reader)
        self._events: list[Event] = []
        self._said = iter(_kept(reader.events()))
        self._next = next(self._said, None)
        self._newest_ns = reader.manifest.started_ns
        self._undecoded = 0
        self._intake = self._begin(Start(), self._newest_ns)

    @property
    def undecoded(self) -> int:
        return self._undecoded + self._intake.undecoded

    def _begin(self, start: Start, time_ns: int) -> Intake:
        intake = Intake(
            self._bench,
            self._limits,
            self._writer,
            start_ns=time_ns,
            start=start,
            on_event=self._events.append,
        )
        intake.begin(time_ns)
        return intake

    def take(self, frames: FrameBatch) -> None:
        """Take frames, cut where something was said between them."""
        first = 0
        while self._next is not None and self._next.time_ns <= frames.time_ns[-1]:
            place = int(np.searchsorted(frames.time_ns, self._next.time_ns, "left"))
            if place > first:
                self._pass(frames.taken(slice(first, place)))
                first = place
            self._tell(self._next)
            self._next = next(self._said, None)
        self._pass(frames.taken(slice(first, None)) if first else frames)

    def _pass(self, frames: FrameBatch, *, now_ns: int | None = None) -> None:
        if now_ns is None:
            now_ns = int(frames.time_ns[-1])
        self._intake.take(frames, now_ns=now_ns, vitals=lambda: self._fared.at(now_ns))
        self._newest_ns = now_ns

    def _tell(self, event: Event) -> None:
        if event.kind == "ended":
            self._pass(FrameBatch.empty(), now_ns=max(event.time_ns, self._newest_ns))
        if event.kind == "continued":
            self._go_on(event)
        elif event.kind == "note":
            request = Request.model_construct(kind="note", text=event.text, who=event.who)
            self._intake.ask(request, time_ns=event.time_ns)
        else:
            if event.kind == "dropped" and not math.isnan(event.value):
                self._intake.lost += int(event.value)
            self._intake.say(
                event.kind,
                time_ns=event.time_ns,
                text=event.text,
                joint=event.joint,
                channel=event.channel,
                value=event.value,
                duration_s=event.duration_s,
            )

    def _go_on(self, event: Event) -> None:
        """Begin as the recorder did that went on there."""
        away_s = 0.0 if math.isnan(event.duration_s) else event.duration_s
        ended_ns = event.time_ns - round(away_s * 1e9)
        self._undecoded += self._intake.undecoded
        start = replace(
            Start.after(
                self._events,
                newest_ns=ended_ns,
                ended_ns=ended_ns,
                segments=dict(self._writer.segments),
            ),
            watched=self._intake.watched,
        )
        self._intake = self._begin(start, event.time_ns)

    def carry(
        self, reader: RecordingReader, sensor: Sensor, *, stop: threading.Event | None
    ) -> None:
        """Take over a sensor's readings: no frames stand behind them."""
        span = reader.span_ns(status_stream(sensor.name))
        if span is None:
            return
        for start_ns in range(span[0], span[1] + 1, CARRIED_NS):
            heed(stop, self._writer.path)
            end_ns = min(start_ns + CARRIED_NS, span[1] + 1)
            self._writer.append_readings(
                reader.readings(
                    sensor.name, start_ns=start_ns, end_ns=end_ns, channels=sensor.channels
                )
            )
            self._writer.tick()

    def end(self, ended_ns: int) -> None:
        """Tell what was said after the last frame, the end among it."""
        while self._next is not None:
            self._tell(self._next)
            self._next = next(self._said, None)
        self._pass(FrameBatch.empty(), now_ns=max(ended_ns, self._newest_ns))


def _kept(events: list[Event]) -> list[Event]:
    """Return what is carried over, in order of time; of one time in its old order."""
    kept = [event for event in events if event.kind in KEPT]
    kept.sort(key=lambda event: (event.time_ns, event.sequence))
    return kept
