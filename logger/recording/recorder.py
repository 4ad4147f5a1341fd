"""The loop: bus -> decode -> limits -> store.

One thread receives (and asks) on each bus, one writes, a bounded queue between them. A fault in any
ends the recording with its cause. The caller owns `stop` and the terminal.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from logger.bus.clock import ClockSample, RecordingClock, read_clocks
from logger.bus.merger import WatermarkMerger
from logger.bus.poller import LISTEN_BEFORE_POLL_S, Poller
from logger.bus.source import Source, open_sources
from logger.bus.stop_sender import check_can_stop
from logger.errors import InputError, OutsideFault
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, read_bench
from logger.limits.limit import LimitSet, check_for_bench, parse_limits, read_limits
from logger.recording.frame_queue import GATHER_INTERVAL_S, FrameQueue, receive_frames, run_guarded
from logger.recording.limits_watcher import FILE_CHECK_S, LimitsWatcher
from logger.recording.pipeline import BusVitals, Intake, Vitals
from logger.recording.polling import Asking
from logger.recording.resume import NEW_RECORDING, ResumePoint, resume_point
from logger.recording.stop_supervisor import Stopping
from logger.store.layout.events import Event
from logger.store.layout.manifest import ClockAnchor, new_manifest, read_manifest
from logger.store.repair.recovery import drain_inbox
from logger.store.writing.disk_forecast import DiskForecast
from logger.store.writing.inbox import LIMITS_SUBMITTED, EventRequest
from logger.store.writing.inbox import claim_requests as take_requests
from logger.store.writing.live_writer import RecordingWriter
from logger.traffic.bus_statistics import bus_statistics
from logger.traffic.bus_statistics import statistics_plan as figures_plan_for
from logger.traffic.live_diagnosis import LiveDiagnosis, diagnose_second
from logger.traffic.per_second import TrafficCounter

__all__ = ["RecordSettings", "Recorded", "record", "settings_to_go_on"]

log = logging.getLogger(__name__)

INBOX_S: Final = 0.1
STUCK_S: Final = 3.0
"""A receiver that a bus's driver holds for so long is not waited for at the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSettings:
    """What is recorded, and where to."""

    bench: Bench
    where: str
    """The bench file's name, for messages."""
    limits: LimitSet
    out: Path
    name: str
    note: str = ""
    duration_s: float | None = None
    simulated: bool = False
    send_stop_on_trip: bool = False
    """Send a joint's stop frame when a limit of it trips; needs a bus that may send."""
    limits_file: Path | None = None
    """Where the limits were read from: read again when it changes."""
    goes_on: bool = False
    """`out` is a recording that ended or was cut short: go on in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """How a recording ended."""

    path: Path
    frames: int
    dropped: int
    undecoded: int
    duration_s: float
    cause: str


def settings_to_go_on(
    path: Path,
    *,
    bench: Path | None = None,
    limits_file: Path | None = None,
    note: str = "",
    duration_s: float | None = None,
    send_stop_on_trip: bool = False,
) -> RecordSettings:
    """Return the settings with which a recording is gone on with: those that it began with.

    `limits_file`: its limits are taken over where it goes on, as if it had just been saved.

    Raises
    ------
    InputError
        It is no recording, `bench` is not the bench file that it began with, or the limits do not
        fit it.
    """
    manifest = read_manifest(path)
    # Earlier recorders kept the text without the blanks at its ends.
    if bench is not None and read_bench(bench).text.strip() != manifest.bench.strip():
        raise InputError(
            f"{bench}: differs from the bench file that {path} began with; expected the same. A "
            "recording goes on with its own bench: leave BENCH away, or begin a new recording."
        )
    its_bench = manifest.read_bench(str(path))
    if limits_file is not None:
        check_for_bench(read_limits(limits_file), its_bench, str(limits_file))
    return RecordSettings(
        bench=its_bench,
        where=str(path),
        limits=manifest.read_limits(str(path)),
        limits_file=limits_file,
        out=path,
        name=manifest.name,
        note=note,
        duration_s=duration_s,
        simulated=manifest.simulated,
        send_stop_on_trip=send_stop_on_trip,
        goes_on=True,
    )


def record(
    settings: RecordSettings,
    *,
    stop: threading.Event,
    on_event: Callable[[Event], None] = lambda _event: None,
    on_start: Callable[[Path], None] = lambda _path: None,
    asides: "queue.SimpleQueue[str] | None" = None,
) -> Recorded:
    """Record until `stop` is set or the duration is over; returns how it ended.

    `on_event` and `on_start` are called on the caller's thread. `asides`: sentences that whoever
    tells of events puts there for the recording, from any thread: that somebody cannot be told.

    Raises
    ------
    InputError
        The bus cannot be opened, the folder not made, another master's identifiers are in use, or
        a stop frame could not be sent: nothing was recorded.
    OutsideFault
        The disk took no more; what was written is whole.
    """
    if settings.send_stop_on_trip:
        check_can_stop(settings.bench, settings.where)
    start = resume_point(settings.out) if settings.goes_on else NEW_RECORDING
    anchor = _anchored(read_clocks(), start)
    sources = open_sources(settings.bench.buses, anchor, where=settings.where)
    try:
        askers = [
            Poller(
                settings.bench,
                now_s=time.monotonic(),
                bus=source.bus_index,
                send_stop=settings.send_stop_on_trip,
            )
            for source in sources
        ]
        _listen(sources, askers)
        # Somebody may have written a note meanwhile.
        start = resume_point(settings.out) if settings.goes_on else NEW_RECORDING
        # What has waited since the bus was opened is from before the recording.
        started_ns = max(source.receive(0.0).until_ns for source in sources)
        writer = _writer(settings, anchor, started_ns)
    except BaseException:
        for source in sources:
            source.close()
        raise
    # Told by the caller's thread: a terminal that stands still must not hold up the writer.
    news: queue.SimpleQueue[Event] = queue.SimpleQueue()
    stopping = Stopping([asker.stop_sender for asker in askers], on_event=news.put)
    intake = Intake(
        settings.bench,
        settings.limits,
        writer,
        start_ns=started_ns,
        start=start,
        on_event=stopping.see,
        on_readings=stopping.read,
    )
    intake.begin(started_ns, note=settings.note)
    asking = Asking(settings.bench, askers, intake, stopping, start_ns=started_ns)
    pipe = FrameQueue.for_buses(len(sources), armed=settings.send_stop_on_trip)
    errands = _Errands(settings, writer, intake, asides or queue.SimpleQueue())
    # Limits that were saved meanwhile, or with which it goes on, count from the first frame.
    errands.tick(time.monotonic(), started_ns)
    receiving = [
        threading.Thread(
            target=run_guarded,
            args=(pipe, receive_frames, source, asker),
            name=f"receive-{source.bus_index}",
            daemon=True,
        )
        for source, asker in zip(sources, askers, strict=True)
    ]
    writing = threading.Thread(
        target=run_guarded,
        args=(
            pipe,
            partial(_write, asking=asking, errands=errands),
            writer,
            intake,
            settings,
            RecordingClock(anchor),
        ),
        name="write",
        daemon=True,
    )
    _tell_start(settings.out, on_start)
    for thread in (*receiving, writing):
        thread.start()
    deadline = None if settings.duration_s is None else time.monotonic() + settings.duration_s
    cause = "stopped"
    while not stop.wait(0.05) and not pipe.fault:
        _tell(news, on_event)
        if deadline is not None and time.monotonic() >= deadline:
            cause = "its duration was over"
            break
    pipe.stop.set()
    _join(receiving)
    pipe.received_all.set()
    writing.join()
    for source, thread in zip(sources, receiving, strict=True):
        _let_go(source, thread)
    _tell(news, on_event)
    if pipe.fault:
        writer.abandon()
        raise _ending(pipe.fault[0], settings.out)
    ended_ns = RecordingClock(anchor).time_at(read_clocks())
    intake.take(FrameBatch.empty(), now_ns=ended_ns)
    errands.rest(ended_ns)
    intake.end(ended_ns, cause=cause)
    writer.close(ended_ns=ended_ns, cause=cause)
    drain_inbox(settings.out)
    _tell(news, on_event)
    return Recorded(
        path=settings.out,
        frames=writer.row_count("frames"),
        dropped=intake.lost,
        undecoded=intake.undecoded,
        duration_s=(ended_ns - started_ns) * 1e-9,
        cause=cause,
    )


def _anchored(reading: ClockSample, start: ResumePoint) -> ClockSample:
    """Return the anchor of the time axis: a recording that goes on never goes back."""
    if reading.wall_ns > start.newest_ns:
        return reading
    # The wall clock was set back in between; the recording's time stands where it was.
    return ClockSample(
        boottime_ns=reading.boottime_ns,
        monotonic_ns=reading.monotonic_ns,
        wall_ns=start.newest_ns + 1,
    )


def _writer(settings: RecordSettings, anchor: ClockSample, started_ns: int) -> RecordingWriter:
    if settings.goes_on:
        return RecordingWriter.resume(
            settings.out,
            settings.bench,
            clock=ClockAnchor(boottime_ns=anchor.boottime_ns, wall_ns=anchor.wall_ns),
            now_s=time.monotonic(),
        )
    return RecordingWriter(
        settings.out,
        new_manifest(
            settings.bench,
            name=settings.name,
            note=settings.note,
            started_ns=started_ns,
            boottime_ns=anchor.boottime_ns,
            wall_ns=anchor.wall_ns,
            simulated=settings.simulated,
            limits=settings.limits,
        ),
        settings.bench,
        now_s=time.monotonic(),
    )


def _tell_start(path: Path, on_start: Callable[[Path], None]) -> None:
    try:
        on_start(path)
    except Exception:  # a fault of whoever listens is none of the recording's
        log.exception("the beginning could not be told")


def _tell(news: "queue.SimpleQueue[Event]", on_event: Callable[[Event], None]) -> None:
    while not news.empty():
        try:
            on_event(news.get())
        except Exception:  # a fault of whoever listens is none of the recording's
            log.exception("an event could not be told")


def _let_go(source: Source, receiving: threading.Thread) -> None:
    """Close the bus, unless its driver still holds the receiver and would hold us as well."""
    if receiving.is_alive():
        log.warning("the bus does not let go: the recording is closed without it")
    else:
        source.close()


def _join(receiving: list[threading.Thread]) -> None:
    stuck_s = time.monotonic() + STUCK_S
    for thread in receiving:
        thread.join(max(stuck_s - time.monotonic(), 0.0))


def _ending(fault: BaseException, out: Path) -> BaseException:
    """Return what is raised for a fault of a thread."""
    if isinstance(fault, (InputError, OutsideFault)):
        return fault
    log.error("the recorder failed", exc_info=fault)
    ending = OutsideFault(
        f"{out}: the recorder failed ({type(fault).__name__}: {fault}); what was written is whole."
    )
    ending.__cause__ = fault
    return ending


def _listen(sources: list[Source], askers: list[Poller]) -> None:
    """Hear who talks before anything is asked; the recording begins only afterwards."""
    for source, asker in zip(sources, askers, strict=True):
        if asker.stop_sender and source.listens_only:
            raise InputError(
                f"The adapter of the bus {source.bus_index + 1} only listens: --send-stop-on-trip "
                "cannot send a stop frame there. Set it to take part in the bus, or leave the "
                "option away."
            )
    until_s = time.monotonic() + LISTEN_BEFORE_POLL_S
    while any(askers) and time.monotonic() < until_s:
        for source, asker in zip(sources, askers, strict=True):
            heard = source.receive(0.05 / len(sources)).frames
            refused = asker.check_received(heard, now_s=time.monotonic())
            if refused:
                raise InputError(refused)


def _write(
    pipe: FrameQueue,
    writer: RecordingWriter,
    intake: Intake,
    settings: RecordSettings,
    axis: RecordingClock,
    *,
    asking: Asking,
    errands: "_Errands",
) -> None:
    started_ns = axis.anchor.wall_ns
    merge = WatermarkMerger(len(pipe.counters), start_ns=started_ns)
    traffic = [TrafficCounter(bus.bitrate) for bus in settings.bench.buses]
    room = DiskForecast(settings.out, now_s=time.monotonic())
    told = [0] * len(pipe.counters)
    watching = [LiveDiagnosis() for _ in settings.bench.buses]
    plan = figures_plan_for(settings.bench)
    second_s = time.monotonic()
    until_ns = started_ns

    def vitals() -> Vitals:
        nonlocal second_s
        now_s = time.monotonic()
        span_s, second_s = max(now_s - second_s, 1e-3), now_s
        buses = tuple(
            BusVitals(
                second=one.take_second(span_s, sent_bits=counters.sent_bits),
                lost=counters.lost + counters.unqueued,
                garbled=counters.garbled,
                unanswered=asking.missed(place),
            )
            for place, (one, counters) in enumerate(zip(traffic, pipe.counters, strict=True))
        )
        heard = FrameBatch.concatenate([bus.second.frames for bus in buses])
        start_ns = until_ns - round(span_s * 1e9)
        for place, found in enumerate(
            bus_statistics(heard, plan, start_ns=start_ns, end_ns=until_ns)
        ):
            sentences, watching[place] = diagnose_second(watching[place], found)
            for text in sentences:
                intake.say("bus hint", time_ns=until_ns, text=f"{found.settings.channel}: {text}")
        return Vitals(
            buses=buses,
            disk_left_h=room.hours_left(now_s),
        )

    while True:
        # Asked before the queue is: what is put in between is not left behind.
        over = pipe.received_all.is_set()
        try:
            received = pipe.queue.get(timeout=GATHER_INTERVAL_S)
        except queue.Empty:
            if over:
                rest, until_ns = merge.take_until_watermark(2**62)
                intake.take(rest, now_ns=until_ns)
                asking.end(until_ns)
                return
            received = None
            frames, until_ns = merge.take_until_watermark(axis.time_at(read_clocks()), idle=True)
            intake.take(frames, now_ns=until_ns, vitals=vitals)
        now_s = time.monotonic()
        if received is not None:
            traffic[received.bus].add_frames(received.frames)
            merge.add_frames(received.bus, received.frames, until_ns=received.until_ns)
            frames, until_ns = merge.take_until_watermark(axis.time_at(read_clocks()))
            for kind, text in received.remarks:
                intake.say(kind, time_ns=max(until_ns, received.until_ns), text=text)
            asking.take(received, time_ns=until_ns)
            if received.lost:
                pipe.counters[received.bus].lost += received.lost
                intake.say_lost(
                    received.lost,
                    time_ns=until_ns,
                    bus=settings.bench.buses[received.bus].channel,
                    cause="the system's receive buffer was full.",
                )
            intake.take(frames, now_ns=until_ns, vitals=vitals)
        asking.tick(until_ns)
        for place, counters in enumerate(pipe.counters):
            if counters.unqueued > told[place]:
                lost, told[place] = counters.unqueued - told[place], counters.unqueued
                asking.forget(place)
                intake.say_lost(
                    lost,
                    time_ns=until_ns,
                    bus=settings.bench.buses[place].channel,
                    cause="the writer did not keep up.",
                )
        errands.tick(now_s, until_ns)
        writer.tick(now_s)


class _Errands:
    """What others ask of the writer: requests in the inbox, limits that were saved meanwhile."""

    def __init__(
        self,
        settings: RecordSettings,
        writer: RecordingWriter,
        intake: Intake,
        asides: "queue.SimpleQueue[str]",
    ) -> None:
        self._out = settings.out
        self._bench = settings.bench
        self._asides = asides
        self._writer = writer
        self._intake = intake
        file = settings.limits_file
        self._limits = (
            LimitsWatcher(file, settings.bench, settings.limits) if file is not None else None
        )
        self._inbox_s = self._limits_s = 0.0

    def tick(self, now_s: float, time_ns: int) -> None:
        """Do what is due; `time_ns` is when it counts, 0 while nothing was received."""
        if not time_ns:
            return
        # The file first: the limits with which it goes on must not undo what is handed over.
        if self._limits is not None and now_s >= self._limits_s:
            self._limits_s = now_s + FILE_CHECK_S
            self._reread(self._limits.poll_file(), time_ns)
        if now_s >= self._inbox_s:
            self._inbox_s = now_s + INBOX_S
            self.rest(time_ns)

    def rest(self, time_ns: int) -> None:
        """Take what waits in the inbox, and what others had to say."""
        while not self._asides.empty():
            self._intake.say("telling", time_ns=time_ns, text=self._asides.get())
        for request in take_requests(self._out):
            if request.kind == "limits":
                self._take_over(request, time_ns)
            else:
                self._intake.ask(request, time_ns=time_ns)

    def _take_over(self, request: EventRequest, time_ns: int) -> None:
        """Take limits over that somebody handed over; their file counts again when it is saved."""
        where = "the limits that were handed over"
        try:
            limits = parse_limits(request.text, where)
            check_for_bench(limits, self._bench, where)
        except InputError as fault:
            said = f"{LIMITS_SUBMITTED}, but the limits stay as they are. {fault}"
            self._intake.say("limits refused", time_ns=time_ns, text=said, who=request.who)
            return
        self._writer.record_limits(limits.text, from_ns=time_ns)
        self._intake.take_limits(limits, time_ns=time_ns, handed_over_by=request.who)
        if self._limits is not None:
            self._limits.replace_current(limits)

    def _reread(self, news: LimitSet | str | None, time_ns: int) -> None:
        """Take limits over that fit; those that do not change nothing."""
        if isinstance(news, str):
            self._intake.say(
                "limits refused", time_ns=time_ns, text=f"The limits stay as they are. {news}"
            )
        elif news is not None:
            self._writer.record_limits(news.text, from_ns=time_ns)
            self._intake.take_limits(news, time_ns=time_ns)
