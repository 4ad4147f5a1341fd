"""The loop: bus -> decode -> limits -> store.

One thread receives (and asks), one writes, a bounded queue between them; what does not fit is
counted and told. A fault in either ends the recording with its cause. The caller owns `stop` and
the terminal.
"""

import logging
import queue
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from logger.bus.clock import Axis, read_clocks
from logger.bus.frame_length import frame_bits
from logger.bus.request import LISTEN_S, Asker
from logger.bus.source import Received, Source
from logger.errors import InputError, OutsideFault
from logger.intake import Intake, Vitals
from logger.joint.batch import FrameBatch
from logger.joint.bench import Bench
from logger.limits.limit import LimitSet
from logger.store.events import Event
from logger.store.inbox import take as take_requests
from logger.store.manifest import begun
from logger.store.seal import take_late
from logger.store.write import RecordingWriter

__all__ = ["RecordSettings", "Recorded", "record"]

log = logging.getLogger(__name__)

GATHER_S: Final = 0.02
"""Frames are handed on this often: a batch costs the same for one frame as for fifty."""
QUEUED_BATCHES: Final = 500
INBOX_S: Final = 0.1
DISK_S: Final = 30.0
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """How a recording ended."""

    path: Path
    frames: int
    dropped: int
    undecoded: int
    duration_s: float
    cause: str


@dataclass(slots=True)
class _Shared:
    """What the two threads and the caller have in common."""

    queue: "queue.Queue[Received]"
    stop: threading.Event
    received_all: threading.Event
    fault: list[BaseException] = field(default_factory=list)
    dropped: int = 0
    garbled: int = 0
    sent_bits: int = 0


def record(
    settings: RecordSettings,
    *,
    stop: threading.Event,
    on_event: Callable[[Event], None] = lambda _event: None,
    on_start: Callable[[Path], None] = lambda _path: None,
) -> Recorded:
    """Record until `stop` is set or the duration is over; returns how it ended.

    `on_event` and `on_start` are called on the caller's thread.

    Raises
    ------
    InputError
        The bus cannot be opened, the folder not made, or another master's identifiers are in use:
        nothing was recorded.
    OutsideFault
        The disk took no more; what was written is whole.
    """
    anchor = read_clocks()
    axis = Axis(anchor)
    source = Source(settings.bench.bus, axis, where=settings.where)
    try:
        asker = Asker(settings.bench, now_s=time.monotonic())
        _listen(source, asker)
        # What has waited since the bus was opened is from before the recording.
        started_ns = source.receive(0.0).until_ns
        writer = RecordingWriter(
            settings.out,
            begun(
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
    except BaseException:
        source.close()
        raise
    # Told by the caller's thread: a terminal that stands still must not hold up the writer.
    news: queue.SimpleQueue[Event] = queue.SimpleQueue()
    intake = Intake(settings.bench, settings.limits, writer, start_ns=started_ns, on_event=news.put)
    shared = _Shared(
        queue=queue.Queue(QUEUED_BATCHES),
        stop=threading.Event(),
        received_all=threading.Event(),
    )
    intake.say("started", time_ns=started_ns, text="Recording started.")
    if settings.note:
        intake.say("note", time_ns=started_ns, text=settings.note)
    receiving = threading.Thread(
        target=_guarded, args=(shared, _receive, source, asker), name="receive", daemon=True
    )
    writing = threading.Thread(
        target=_guarded, args=(shared, _write, writer, intake, settings), name="write", daemon=True
    )
    on_start(settings.out)
    receiving.start()
    writing.start()
    deadline = None if settings.duration_s is None else time.monotonic() + settings.duration_s
    cause = "stopped"
    while not stop.wait(0.05) and not shared.fault:
        _tell(news, on_event)
        if deadline is not None and time.monotonic() >= deadline:
            cause = "its duration was over"
            break
    shared.stop.set()
    receiving.join(STUCK_S)
    shared.received_all.set()
    writing.join()
    _let_go(source, receiving)
    _tell(news, on_event)
    if shared.fault:
        fault = shared.fault[0]
        writer.abandon()
        if isinstance(fault, (InputError, OutsideFault)):
            raise fault
        log.error("the recorder failed", exc_info=fault)
        raise OutsideFault(
            f"{settings.out}: the recorder failed ({type(fault).__name__}: {fault}); what was "
            "written is whole."
        ) from fault
    ended_ns = axis.at(read_clocks())
    intake.take(FrameBatch.empty(), now_ns=ended_ns)
    for request in take_requests(settings.out):
        intake.ask(request, time_ns=ended_ns)
    intake.say("ended", time_ns=ended_ns, text=f"Recording ended: {cause}.")
    writer.close(ended_ns=ended_ns, cause=cause)
    take_late(settings.out)
    _tell(news, on_event)
    return Recorded(
        path=settings.out,
        frames=writer.rows("frames"),
        dropped=shared.dropped,
        undecoded=intake.undecoded,
        duration_s=(ended_ns - started_ns) * 1e-9,
        cause=cause,
    )


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


def _listen(source: Source, asker: Asker) -> None:
    """Hear who talks before anything is asked; the recording begins only afterwards."""
    until_s = time.monotonic() + LISTEN_S
    while asker and time.monotonic() < until_s:
        refused = asker.heard(source.receive(0.05).frames)
        if refused:
            raise InputError(refused)


def _guarded(shared: _Shared, run: Callable[..., None], *arguments: object) -> None:
    """Run one thread; its fault reaches the main loop, never only a log."""
    try:
        run(shared, *arguments)
    except BaseException as fault:  # noqa: BLE001 - whatever it is, the main loop must know
        shared.fault.append(fault)


def _receive(shared: _Shared, source: Source, asker: Asker) -> None:
    gathered: list[Received] = []
    hand_on_s = time.monotonic() + GATHER_S
    refused: str | None = None
    while not shared.stop.is_set():
        now_s = time.monotonic()
        for message in asker.due(now_s):
            if source.send(message):
                # Not stored, but it takes its time on the wire.
                shared.sent_bits += 47 + 8 * len(message.data)
        received = source.receive(min(asker.next_s(now_s), GATHER_S))
        gathered.append(received)
        refused = asker.heard(received.frames)
        if refused:
            asker.stop()
            gathered.append(
                Received(
                    frames=FrameBatch.empty(),
                    until_ns=received.until_ns,
                    said=(("refused", refused),),
                )
            )
        if time.monotonic() >= hand_on_s:
            hand_on_s = time.monotonic() + GATHER_S
            shared.garbled = source.garbled
            gathered = _hand_on(shared, gathered)
    _hand_on(shared, gathered)


def _hand_on(shared: _Shared, gathered: list[Received]) -> list[Received]:
    """Give the writer what has gathered; return what is still to be told when it is too slow."""
    if not gathered:
        return []
    frames = [received.frames for received in gathered if len(received.frames)]
    whole = Received(
        frames=FrameBatch.joined(frames),
        until_ns=gathered[-1].until_ns,
        said=tuple(said for received in gathered for said in received.said),
    )
    try:
        shared.queue.put_nowait(whole)
    except queue.Full:
        shared.dropped += len(whole.frames)
        # Frames are lost and counted; what happened on the bus is said later.
        return [replace(whole, frames=FrameBatch.empty())] if whole.said else []
    return []


def _write(
    shared: _Shared, writer: RecordingWriter, intake: Intake, settings: RecordSettings
) -> None:
    load = _Load(settings.bench.bus.bitrate)
    disk = _Disk(settings.out)
    told = 0
    next_inbox_s = 0.0
    until_ns = 0
    while True:
        try:
            received = shared.queue.get(timeout=GATHER_S)
        except queue.Empty:
            if shared.received_all.is_set():
                return
            received = None
        now_s = time.monotonic()
        if received is not None:
            until_ns = received.until_ns
            for kind, text in received.said:
                intake.say(kind, time_ns=until_ns, text=text)
            load.add(received.frames)
            vitals = Vitals(
                bus_load=load.share(now_s, shared.sent_bits),
                dropped=shared.dropped,
                garbled=shared.garbled,
                disk_left_h=disk.left_h(now_s),
            )
            intake.take(received.frames, now_ns=until_ns, vitals=vitals)
        if shared.dropped > told:
            lost, told = shared.dropped - told, shared.dropped
            intake.say(
                "dropped",
                time_ns=until_ns,
                value=float(lost),
                text=f"{lost} frames were lost: the writer did not keep up.",
            )
        if now_s >= next_inbox_s and until_ns:
            next_inbox_s = now_s + INBOX_S
            for request in take_requests(settings.out):
                intake.ask(request, time_ns=until_ns)
        writer.tick(now_s)


class _Load:
    """Share of the bus's time that frames took, over the last second or so."""

    def __init__(self, bitrate: int | None) -> None:
        self._bitrate = bitrate
        self._bits = 0
        self._sent = 0
        self._since_s = time.monotonic()
        self._share = float("nan")

    def add(self, frames: FrameBatch) -> None:
        if self._bitrate is not None and len(frames):
            self._bits += int(frame_bits(frames).sum())

    def share(self, now_s: float, sent_bits: int) -> float:
        span_s = now_s - self._since_s
        if self._bitrate is not None and span_s >= 1.0:
            bits = self._bits + sent_bits - self._sent
            self._share = bits / (self._bitrate * span_s)
            self._bits, self._sent, self._since_s = 0, sent_bits, now_s
        return self._share


class _Disk:
    """How long the disk lasts at the recording's present rate."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._begun_s = self._looked_s = time.monotonic()
        self._left_h = float("nan")

    def left_h(self, now_s: float) -> float:
        if now_s - self._looked_s >= DISK_S:
            self._looked_s = now_s
            written = sum(file.stat().st_size for file in self._path.rglob("*.parquet"))
            free = shutil.disk_usage(self._path).free
            if written:
                self._left_h = free / (written / (now_s - self._begun_s)) / 3600.0
        return self._left_h
