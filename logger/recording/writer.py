"""The writing thread: merges what the buses bring, and runs the steps of the loop in order.

    queue -> merge by time -> answers -> pipeline -> stop frames -> once a second -> housekeeping

One turn of the loop for what the receiving threads hand on at one instant, or for 0.1 s without.
The stop supervisor sees each event the moment it is made, whether or not anything is polled: a
fault later in the same turn, such as a full disk, must not keep back the stop frame of a trip. The
caller gets each event after the supervisor.
"""

import math
import queue
import time
from collections.abc import Callable, Sequence

import numpy as np

from logger.arrays import TIME_MAX_NS, to_ns, to_s
from logger.bus.clock import ClockSample, RecordingClock, read_clocks
from logger.bus.merger import IDLE_BUS_NS, MERGE_WAIT_NS, WatermarkMerger
from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.bus.standstill import Standstill
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.notify.delivery_report import DeliveryReport
from logger.recording.campaign_rows import CampaignRows
from logger.recording.event_log import EventLog
from logger.recording.frame_keeping import FrameKeeping
from logger.recording.frame_queue import GATHER_INTERVAL_S, FrameQueue
from logger.recording.garbled_report import GarbledReport
from logger.recording.housekeeping import Housekeeping
from logger.recording.limits_watcher import LimitsWatcher
from logger.recording.pipeline import Pipeline
from logger.recording.plan_disk import PlanDisk
from logger.recording.polling import Polling
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder_health import BusHealth, RecorderHealth
from logger.recording.resume import NEW_RECORDING, ResumePoint
from logger.recording.stop_supervisor import StopSupervisor
from logger.store.layout.events import Event
from logger.store.writing.disk_forecast import DiskForecast
from logger.store.writing.live_writer import RecordingWriter
from logger.traffic.bus_statistics import bus_statistics, statistics_plan
from logger.traffic.live_diagnosis import LiveDiagnosis, diagnose_second
from logger.traffic.per_second import TrafficCounter

__all__ = ["Writer"]

_IDLE_TURNS = round(IDLE_BUS_NS / to_ns(GATHER_INTERVAL_S))
"""Turns without anything from a receiver before time goes on without its bus."""
_SHORTEST_SECOND_S = 1e-3
"""Least span that a rate is divided by: two seconds may be recorded at once."""


class Writer:
    """Fills one recording from what the receiving threads queue."""

    def __init__(
        self,
        settings: RecordSettings,
        store: RecordingWriter,
        pipe: FrameQueue,
        pollers: Sequence[Poller],
        *,
        anchor: ClockSample,
        started_ns: int,
        start: ResumePoint = NEW_RECORDING,
        on_event: Callable[[Event], None] = lambda _event: None,
        reports: "queue.SimpleQueue[DeliveryReport] | None" = None,
    ) -> None:
        """Begin: the first events are written.

        Parameters
        ----------
        anchor
            Of the recording's time axis.
        start
            The state from which a recording is resumed.
        on_event
            Called with each event on the thread that made it.
        reports
            What came of messages: any thread may queue it, and the recording keeps it as events.
        """
        bench = settings.bench
        self._buses = bench.buses
        self._store = store
        self._pipe = pipe
        self._axis = RecordingClock(anchor)
        self._on_event = on_event
        self._events = EventLog(bench, store, start=start, on_event=self._publish)
        keep = settings.plan.keep if settings.plan is not None else None
        self._frame_keeping = (
            None
            if keep is None
            else FrameKeeping(keep, store, self._events, raised=start.raised.values())
        )
        senders = [poller.stop_sender for poller in pollers]
        self._stops = StopSupervisor(senders, self._events, bench.labels)
        campaign = _campaign(settings, start, started_ns)
        self._room = DiskForecast(store.path, now_s=time.monotonic())
        self._plan_disk: PlanDisk | None = None
        if campaign is not None:
            began_ns = min([started_ns, *start.start_times_ns])
            self._plan_disk = PlanDisk(campaign, self._room, self._events, began_ns=began_ns)
        self.pipeline = Pipeline(
            bench,
            settings.limits,
            store,
            self._events,
            start_ns=started_ns,
            start=start,
            forecasts=True,
            campaign=campaign,
        )
        self._events.begin(started_ns, note=settings.note)
        self._polling = Polling(bench, pollers, self._events, start_ns=started_ns)
        self._stops.begin(started_ns)
        file = settings.limits_file
        self._housekeeping = Housekeeping(
            bench,
            store,
            self.pipeline,
            self._events,
            limits_file=None if file is None else LimitsWatcher(file, bench, settings.limits),
            reports=queue.SimpleQueue() if reports is None else reports,
        )
        self._merge = WatermarkMerger(
            len(bench.buses),
            start_ns=anchor.wall_ns,
            # A bus that is there is heard of twice in this time.
            wait_ns=max(to_ns(2.5 * pipe.quiet_s), MERGE_WAIT_NS),
        )
        self._traffic = [TrafficCounter(bus.bitrate) for bus in bench.buses]
        self._sent_bits = [0] * len(bench.buses)
        self._received_ns = [anchor.wall_ns] * len(bench.buses)
        """Until when each bus was received, at what was taken of it last."""
        self._unqueued = [0] * len(bench.buses)
        """Frames of each bus that this thread did not keep up with, of which was told."""
        self._garbled_before = [0] * len(bench.buses)
        self._garbled_report = GarbledReport(len(bench.buses))
        self._statistics_plan = statistics_plan(bench)
        self._hints = [LiveDiagnosis() for _ in bench.buses]
        self._second_ns = started_ns
        self._until_ns = anchor.wall_ns
        # Limits that were saved meanwhile, or given at the resume, count from the first frame.
        self._housekeeping.do_due(time.monotonic(), started_ns)

    def run(self) -> None:
        """Write until everything is received and written."""
        idle_turns = 0
        while True:
            # Read before the queue: what is queued in between is not left there.
            over = self._pipe.received_all.is_set()
            handed_on = self._pipe.get_handed_on(GATHER_INTERVAL_S)
            if not handed_on:
                if over:
                    break
                # Counted in turns and not by a clock: after a standstill of all threads the
                # receivers have yet to hand over what the system kept for them.
                idle_turns += 1
                frames, self._until_ns = self._merge.take_until_watermark(
                    self._axis.time_at(read_clocks()), idle=idle_turns >= _IDLE_TURNS
                )
            else:
                idle_turns = 0
                frames = FrameBatch.concatenate([self._take(received) for received in handed_on])
            self._process(frames)
            self._stops.update(self._until_ns)
            now_s = time.monotonic()
            self._housekeeping.do_due(now_s, self._until_ns)
            if self._frame_keeping is not None:
                self._frame_keeping.do_due(self._until_ns)
            self._store.tick(now_s)
        frames, self._until_ns = self._merge.take_until_watermark(TIME_MAX_NS)
        self._process(frames)
        for bus_index, counters in enumerate(self._pipe.counters):
            # Of these nothing came after them.
            self._emit_unqueued(bus_index, counters.unqueued, self._received_ns[bus_index])
        self._stops.end(self._until_ns)
        self._polling.end(self._until_ns)

    def finish(self, *, cause: str) -> int:
        """End the recording once `run` has returned; return the time at which it ended."""
        ended_ns = self._axis.time_at(read_clocks())
        self.pipeline.process(FrameBatch.empty(), now_ns=ended_ns)
        self._record_seconds(ended_ns)
        self._housekeeping.empty_inbox(ended_ns)
        self.pipeline.finish(ended_ns)
        self._emit_garbled(ended_ns, is_end=True)
        self._events.end(ended_ns, cause=cause)
        self._store.close(ended_ns=ended_ns, cause=cause)
        return ended_ns

    def _take(self, received: Received) -> FrameBatch:
        """Take in what one bus brought; return the frames that are due, in order of time."""
        for standstill in received.standstills:
            self._note_standstill(standstill, received.bus)
        # What was lost was lost since it last handed on; earlier rows are evaluated.
        since_ns = max(self._until_ns, self._received_ns[received.bus])
        self._received_ns[received.bus] = received.until_ns
        self._sent_bits[received.bus] = received.sent_bits
        self._traffic[received.bus].add_frames(received.frames)
        self._merge.add_frames(received.bus, received.frames, until_ns=received.until_ns)
        frames, self._until_ns = self._merge.take_until_watermark(self._axis.time_at(read_clocks()))
        for kind, text in received.remarks:
            # The first bus reports the steps of the clocks, for all buses.
            of_bus = None if kind == EventKind.CLOCK_STEP else received.bus
            at_ns = max(self._until_ns, received.until_ns)
            self._events.emit(kind, time_ns=at_ns, bus=of_bus, text=text)
        self._polling.match_answers(received, time_ns=self._until_ns)
        if received.lost:
            self._pipe.counters[received.bus].lost += received.lost
            self.pipeline.emit_frame_loss(
                received.lost,
                since_ns=since_ns,
                time_ns=max(since_ns, self._until_ns, received.until_ns),
                bus=received.bus,
                cause="the system's receive buffer was full.",
            )
        self._emit_unqueued(received.bus, received.unqueued, since_ns)
        return frames

    def _note_standstill(self, standstill: Standstill, bus: int) -> None:
        """Emit that a bus was not read; what was evaluated by then stays evaluated."""
        self._merge.note_standstill(standstill.end_ns)
        start_ns = max(standstill.start_ns, self._until_ns)
        self.pipeline.note_standstill(start_ns, standstill.end_ns, bus=bus)
        subject = "machine was suspended" if standstill.is_suspend else "recorder stood still"
        lost = (
            "no frame of that time is lost untold"
            if standstill.is_loss_counted
            else "an unknown number of frames is lost"
        )
        self._events.emit(
            EventKind.STANDSTILL,
            time_ns=standstill.end_ns,
            bus=bus,
            duration_s=to_s(standstill.end_ns - start_ns),
            value=0.0 if standstill.is_loss_counted else math.nan,
            text=f"The {subject} for {to_s(standstill.duration_ns):.2f} s: {lost} on the bus "
            f"{self._buses[bus].channel}. {self._pipe.hint_on_standstills}".rstrip(),
        )

    def _process(self, frames: FrameBatch) -> None:
        # What it raises orders stops; then its readings show whether a joint stops.
        for readings in self.pipeline.process(frames, now_ns=self._until_ns):
            self._stops.on_readings(readings)
        self._record_seconds(self._until_ns)

    def _publish(self, event: Event) -> None:
        """Pass a new event to the stop supervisor, then to the caller."""
        self._stops.on_event(event)
        if self._frame_keeping is not None:
            self._frame_keeping.on_event(event)
        self._on_event(event)

    def _emit_unqueued(self, bus: int, total: int, since_ns: int) -> None:
        """Emit which frames of a bus were lost since an instant: this thread did not keep up.

        `total`: so far.
        """
        count = total - self._unqueued[bus]
        if count <= 0:
            return
        self._unqueued[bus] = total
        self._polling.reset(bus)
        self.pipeline.emit_frame_loss(
            count,
            since_ns=since_ns,
            time_ns=max(since_ns, self._until_ns, self._received_ns[bus]),
            bus=bus,
            cause="the writer did not keep up.",
        )

    def _record_seconds(self, now_ns: int) -> None:
        """Record health, hints and derived rows, if a second of the recording is over."""
        if not self.pipeline.is_second_over(now_ns):
            return
        # By the recording's time: what has waited for the writer came over a longer one.
        span_s = max(to_s(now_ns - self._second_ns), _SHORTEST_SECOND_S)
        self._second_ns = now_ns
        health = self._measure_health(time.monotonic(), span_s)
        self._emit_garbled(now_ns)
        self._emit_hints(health, span_s)
        self.pipeline.record_seconds(now_ns, health)
        if self._plan_disk is not None:
            self._plan_disk.do_due(now_ns)

    def _measure_health(self, now_s: float, span_s: float) -> RecorderHealth:
        """Return the health of recorder and buses over the last `span_s`, since the last call."""
        return RecorderHealth(
            buses=tuple(
                BusHealth(
                    second=traffic.take_second(span_s, sent_bits=self._sent_bits[bus_index]),
                    lost=counters.lost + counters.unqueued,
                    garbled=counters.garbled,
                    unanswered=self._polling.missed_total(bus_index),
                )
                for bus_index, (traffic, counters) in enumerate(
                    zip(self._traffic, self._pipe.counters, strict=True)
                )
            ),
            disk_left_h=self._room.hours_left(now_s),
        )

    def _emit_garbled(self, now_ns: int, *, is_end: bool = False) -> None:
        """Emit how many lines or frames could not be read; throttled, see `GarbledReport`."""
        totals = [counters.garbled for counters in self._pipe.counters]
        for bus_index, count in self._garbled_report.due_counts(totals, now_ns, is_end=is_end):
            noun = "line or frame" if count == 1 else "lines or frames"
            more = " more" if count < totals[bus_index] else ""
            channel = self._buses[bus_index].channel
            self._events.emit(
                EventKind.GARBLED,
                time_ns=now_ns,
                value=float(count),
                bus=bus_index,
                text=f"{count}{more} {noun} of the bus {channel} could not be read: what they held "
                "is not in the recording.",
            )

    def _emit_hints(self, health: RecorderHealth, span_s: float) -> None:
        """Emit what the statistics of a bus point to, once it has lasted for some seconds."""
        frames = FrameBatch.concatenate([bus.second.frames for bus in health.buses])
        start_ns = self._until_ns - to_ns(span_s)
        totals = [bus.garbled for bus in health.buses]
        garbled = [now - before for now, before in zip(totals, self._garbled_before, strict=True)]
        self._garbled_before = totals
        statistics_by_bus = bus_statistics(
            frames,
            self._statistics_plan,
            start_ns=start_ns,
            end_ns=self._until_ns,
            garbled=garbled,
            bits=np.concatenate([bus.second.bits for bus in health.buses]),
        )
        for bus_index, statistics in enumerate(statistics_by_bus):
            hints, self._hints[bus_index] = diagnose_second(self._hints[bus_index], statistics)
            for text in hints:
                self._events.emit(
                    EventKind.BUS_HINT,
                    time_ns=self._until_ns,
                    bus=bus_index,
                    text=f"{statistics.settings.channel}: {text}",
                )


def _campaign(settings: RecordSettings, start: ResumePoint, started_ns: int) -> CampaignRows | None:
    """Return what follows the plan of a recording; None where there is none."""
    if settings.plan is None:
        return None
    return CampaignRows(settings.plan, settings.bench, start_ns=started_ns, start=start.campaign)
