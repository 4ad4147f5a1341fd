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
from pathlib import Path
from typing import Final

from logger.arrays import to_s
from logger.bus.clock import ClockSample, read_clocks
from logger.bus.poller import LISTEN_BEFORE_POLL_S, Poller
from logger.bus.source import Source, open_sources
from logger.bus.stop_sender import check_can_stop
from logger.errors import InputError, OutsideFault
from logger.recording.frame_queue import FrameQueue, receive_frames, run_guarded
from logger.recording.record_settings import RecordSettings
from logger.recording.resume import NEW_RECORDING, ResumePoint, resume_point
from logger.recording.writer import Writer
from logger.store.layout.events import Event
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.repair.recovery import drain_inbox
from logger.store.writing.live_writer import RecordingWriter

__all__ = ["RecordResult", "record"]

log = logging.getLogger(__name__)

STUCK_S: Final = 3.0
"""A receiver that a bus's driver holds for so long is not waited for at the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordResult:
    """How a recording ended."""

    path: Path
    frames: int
    dropped: int
    undecoded: int
    duration_s: float
    cause: str


def record(
    settings: RecordSettings,
    *,
    stop: threading.Event,
    on_event: Callable[[Event], None] = lambda _event: None,
    on_start: Callable[[Path], None] = lambda _path: None,
    asides: "queue.SimpleQueue[str] | None" = None,
) -> RecordResult:
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
        store = _store(settings, anchor, started_ns)
    except BaseException:
        for source in sources:
            source.close()
        raise
    # Told by the caller's thread: a terminal that stands still must not hold up the writer.
    news: queue.SimpleQueue[Event] = queue.SimpleQueue()
    pipe = FrameQueue.for_buses(len(sources), armed=settings.send_stop_on_trip)
    writer = Writer(
        settings,
        store,
        pipe,
        askers,
        anchor=anchor,
        started_ns=started_ns,
        start=start,
        on_event=news.put,
        asides=asides,
    )
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
        target=run_guarded, args=(pipe, lambda _pipe: writer.run()), name="write", daemon=True
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
        store.abandon()
        raise _ending(pipe.fault[0], settings.out)
    ended_ns = writer.finish(cause=cause)
    drain_inbox(settings.out)
    _tell(news, on_event)
    return RecordResult(
        path=settings.out,
        frames=store.row_count("frames"),
        dropped=writer.pipeline.lost,
        undecoded=writer.pipeline.undecoded,
        duration_s=to_s(ended_ns - started_ns),
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


def _store(settings: RecordSettings, anchor: ClockSample, started_ns: int) -> RecordingWriter:
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
