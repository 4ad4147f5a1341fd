"""Records from buses: opens them, runs the threads, ends them in order.

One thread receives (and polls) on each bus, one writes, with a bounded queue between them. A fault
in any thread ends the recording with its cause. The caller owns `stop` and the terminal.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Final

from logger.arrays import to_s
from logger.bus.clock import ClockSample, read_boot_id, read_clocks
from logger.bus.open_buses import OpenBuses
from logger.bus.poller import Poller
from logger.bus.source import Source
from logger.errors import InputError, OutsideFault
from logger.notify.delivery_report import DeliveryReport
from logger.recording.frame_queue import FrameQueue, receive_frames, run_guarded
from logger.recording.pause import measure_pause
from logger.recording.record_settings import RecordSettings
from logger.recording.resume import NEW_RECORDING, ResumePoint, ResumeReader
from logger.recording.thread_priority import HOW_TO_ALLOW_PRIORITY, PriorityRaiser
from logger.recording.writer import Writer
from logger.store.layout.events import Event
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.repair.recovery import drain_inbox
from logger.store.writing.live_writer import RecordingWriter

__all__ = ["RecordResult", "record"]

log = logging.getLogger(__name__)

LOOK_S: Final = 0.2
"""How soon an event is told to the caller, a thread that has begun gets its priority, and a fault
of a thread ends the recording."""
STUCK_S: Final = 3.0
"""A receiver that a bus's driver holds for so long is not waited for at the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordResult:
    """How a recording ended."""

    path: Path
    frames: int
    dropped: int
    undecoded: int
    garbled: int
    """Lines or frames of the adapters that could not be read."""
    duration_s: float
    cause: str


def record(
    settings: RecordSettings,
    *,
    stop: threading.Event,
    buses: OpenBuses | None = None,
    on_event: Callable[[Event], None] = lambda _event: None,
    on_start: Callable[[Path], None] = lambda _path: None,
    reports: "queue.SimpleQueue[DeliveryReport] | None" = None,
    urgent: bool = False,
) -> RecordResult:
    """Record until `stop` is set or the duration is over; returns how it ended.

    Parameters
    ----------
    buses
        Those of the bench, where the caller opened them for a new recording; None: it did not.
    on_event, on_start
        Called with each event, and with the folder once it is made, on the caller's thread.
    reports
        What came of messages: the notifier queues it, and the recording keeps it as events.
    urgent
        Let all threads of this process run ahead of other programs, where the system allows it.

    Raises
    ------
    InputError
        A bus cannot be opened, the folder cannot be made, another node already sends the
        identifiers of this bench's requests, or an adapter could send no stop frame: nothing was
        recorded.
    OutsideFault
        The disk took no more; what was written is whole.
    """
    resumed = ResumeReader(settings.out) if settings.goes_on else None
    if buses is None:
        start = resumed.read_point() if resumed else NEW_RECORDING
        buses = OpenBuses(
            settings.bench,
            anchor=_anchored(read_clocks(), start),
            where=settings.where,
            send_stop=settings.send_stop_on_trip,
        )
    anchor = buses.anchor
    sources, pollers = buses.take()
    pipe = FrameQueue.for_buses(len(sources), armed=settings.send_stop_on_trip)
    receiving: list[threading.Thread] = []
    raiser = PriorityRaiser(is_wanted=urgent)
    raiser.raise_new_threads()
    pipe.hint_on_standstills = HOW_TO_ALLOW_PRIORITY if raiser.is_refused else ""
    # Passed to the caller on its own thread: a terminal that blocks must not hold up the writer.
    news: queue.SimpleQueue[Event] = queue.SimpleQueue()
    try:
        # Looked at again: a note may have been written while listening.
        start = resumed.read_point() if resumed else NEW_RECORDING
        # What the buses have buffered since they were opened is from before the recording.
        started_ns = max(source.receive(0.0).until_ns for source in sources)
        start = _with_pause(start, started_ns)
        # From here on everything is recorded: making the folder may wait for a slow disk.
        receiving = _start_receivers(pipe, sources, pollers)
        raiser.raise_new_threads(receiving)
        store = _open_writer(settings, anchor, started_ns)
        writer = Writer(
            settings,
            store,
            pipe,
            pollers,
            anchor=anchor,
            started_ns=started_ns,
            start=start,
            on_event=news.put,
            reports=reports,
        )
    except BaseException:
        _close_all(pipe, sources, receiving)
        raise
    # What a resume read of the recording is not kept for as long as it runs.
    del start
    writing = threading.Thread(
        target=run_guarded, args=(pipe, lambda _pipe: writer.run()), name="write", daemon=True
    )
    _report_start(settings.out, on_start)
    writing.start()
    raiser.raise_new_threads(receiving)
    deadline = None if settings.duration_s is None else time.monotonic() + settings.duration_s
    cause = "stopped"
    while not stop.wait(_look_after_s(deadline)) and not pipe.fault:
        raiser.raise_new_threads(receiving)
        _report_events(news, on_event)
        if deadline is not None and time.monotonic() >= deadline:
            cause = "its duration was over"
            break
    pipe.stop.set()
    _join_receivers(receiving)
    pipe.received_all.set()
    writing.join()
    for source, thread in zip(sources, receiving, strict=True):
        _close_source(source, thread)
    _report_events(news, on_event)
    if pipe.fault:
        store.abandon()
        raise _error_of_thread(pipe.fault[0], settings.out)
    ended_ns = writer.finish(cause=cause)
    drain_inbox(settings.out)
    _report_events(news, on_event)
    return RecordResult(
        path=settings.out,
        frames=store.row_count("frames"),
        dropped=writer.pipeline.lost,
        undecoded=writer.pipeline.undecoded,
        garbled=sum(counters.garbled for counters in pipe.counters),
        duration_s=to_s(ended_ns - started_ns),
        cause=cause,
    )


def _look_after_s(deadline: float | None) -> float:
    """Return after how many seconds there may be something to do beside the threads."""
    return LOOK_S if deadline is None else min(max(deadline - time.monotonic(), 0.0), LOOK_S)


def _start_receivers(
    pipe: FrameQueue, sources: list[Source], pollers: list[Poller]
) -> list[threading.Thread]:
    threads = [
        threading.Thread(
            target=run_guarded,
            args=(pipe, receive_frames, source, poller),
            name=f"receive-{source.bus_index}",
            daemon=True,
        )
        for source, poller in zip(sources, pollers, strict=True)
    ]
    for thread in threads:
        thread.start()
    return threads


def _anchored(reading: ClockSample, start: ResumePoint) -> ClockSample:
    """Return the anchor of the time axis: a resumed recording never goes back in time."""
    if reading.wall_ns > start.newest_ns:
        return reading
    # The wall clock was set back in between; the recording continues after its newest row.
    return ClockSample(
        boottime_ns=reading.boottime_ns,
        monotonic_ns=reading.monotonic_ns,
        wall_ns=start.newest_ns + 1,
    )


def _with_pause(start: ResumePoint, started_ns: int) -> ResumePoint:
    """Return the point to resume from, with what the clocks say of the pause until now."""
    if start.clock is None:
        return start
    pause = measure_pause(
        start.clock,
        read_clocks(),
        boot_id=read_boot_id(),
        ended_ns=start.ended_ns,
        axis_ns=started_ns,
    )
    return replace(start, pause=pause)


def _open_writer(settings: RecordSettings, anchor: ClockSample, started_ns: int) -> RecordingWriter:
    if settings.goes_on:
        return RecordingWriter.resume(
            settings.out,
            settings.bench,
            clock=ClockAnchor(
                boottime_ns=anchor.boottime_ns, wall_ns=anchor.wall_ns, boot_id=read_boot_id()
            ),
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
            boot_id=read_boot_id(),
            simulated=settings.simulated,
            limits=settings.limits,
            plan=settings.plan_text,
        ),
        settings.bench,
        now_s=time.monotonic(),
    )


def _report_start(path: Path, on_start: Callable[[Path], None]) -> None:
    try:
        on_start(path)
    except Exception:  # a fault in the caller's callback does not end the recording
        log.exception("the start could not be reported")


def _report_events(news: "queue.SimpleQueue[Event]", on_event: Callable[[Event], None]) -> None:
    while not news.empty():
        try:
            on_event(news.get())
        except Exception:  # a fault in the caller's callback does not end the recording
            log.exception("an event could not be reported")


def _close_all(pipe: FrameQueue, sources: list[Source], receiving: list[threading.Thread]) -> None:
    """Close the buses of a recording that cannot begin, whether or not they are read already."""
    pipe.stop.set()
    _join_receivers(receiving)
    for source, thread in zip_longest(sources, receiving):
        if thread is None:
            source.close()
        else:
            _close_source(source, thread)


def _close_source(source: Source, receiving: threading.Thread) -> None:
    """Close a bus, unless its driver still blocks the receiver: closing it would block as well."""
    if receiving.is_alive():
        log.warning("the bus driver does not return: the recording is closed without it")
    else:
        source.close()


def _join_receivers(receiving: list[threading.Thread]) -> None:
    stuck_s = time.monotonic() + STUCK_S
    for thread in receiving:
        thread.join(max(stuck_s - time.monotonic(), 0.0))


def _error_of_thread(fault: BaseException, out: Path) -> BaseException:
    """Return the error that a recording ends with for a fault in one of its threads."""
    if isinstance(fault, (InputError, OutsideFault)):
        return fault
    log.error("the recorder failed", exc_info=fault)
    ending = OutsideFault(
        f"{out}: the recorder failed ({type(fault).__name__}: {fault}); what was written is whole."
    )
    ending.__cause__ = fault
    return ending
