"""Listens to the buses of a bench for some seconds and reports on them; sends nothing.

One thread for each bus, so that a slow adapter does not smear the times of another. Whatever the
bench file says, buses are opened with `send = False`: a serial-line adapter stays silent unless
`bus.acknowledge` is set. The bit rate is the bench file's; no other is ever tried.
"""

import threading
import time
from dataclasses import dataclass, replace
from typing import Any, Final

from logger.arrays import to_s
from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.source import Received, Source, open_sources
from logger.errors import OutsideFault
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.traffic.health import BusHealth, bus_health

__all__ = ["MAX_LISTEN_S", "BusCapture", "ListenResult", "capture_buses"]

MAX_LISTEN_S: Final = 300.0
"""All that is received is kept until the end: a full bus brings 2.4 million frames in this time."""
_LISTEN_WAIT_S: Final = 0.025
_THREAD_JOIN_S: Final = 3.0
_JOIN_EVERY: Final = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class BusCapture:
    """The result of listening to one bus."""

    health: BusHealth
    lost: int
    """Frames that the system dropped because its buffer was full."""
    garbled: int
    """Lines or frames that could not be read."""
    is_away: bool
    """Whether it was lost meanwhile."""

    @property
    def healthy(self) -> bool:
        """Whether the bus is healthy, with no frame lost or unreadable, and was never lost."""
        return self.health.healthy and not (self.lost or self.garbled or self.is_away)

    def to_json(self) -> dict[str, Any]:
        """Return it as plain content; unknown values are null."""
        figures = self.health.statistics
        return {
            "bus": figures.settings.name,
            "channel": figures.settings.channel,
            "bitrate_bit_per_s": figures.settings.bitrate,
            "healthy": self.healthy,
            "frames": figures.frames,
            "frames_per_s": round(figures.frames_per_s, 3),
            "load": None if figures.load is None else round(figures.load, 6),
            "identifiers": [
                {
                    "identifier": one.identifier_text,
                    "extended": one.extended,
                    "remote": one.remote,
                    "role": one.role,
                    "joints": list(one.joints),
                    "frame": one.frame,
                    "count": one.count,
                    "period_s": one.period_s,
                    "jitter_s": one.jitter_s,
                    "longest_gap_s": one.longest_gap_s,
                }
                for one in figures.messages
            ],
            "undecoded": dict(figures.undecoded),
            "error_frames": figures.error_frames,
            "error_classes": dict(figures.error_classes),
            "remote_frames": figures.remote_frames,
            "lost_frames": self.lost,
            "garbled": self.garbled,
            "silent_joints": list(figures.silent),
            "requests": dict(figures.request_counts),
            "unanswered": dict(figures.unanswered_counts),
            "hints": list(self.health.hints),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenResult:
    """The result of listening to all buses."""

    buses: tuple[BusCapture, ...]
    """In the bench's order."""
    span_s: float
    remarks: tuple[tuple[EventKind, str], ...]
    """(kind, sentence) of events meanwhile: bus lost, bus back, clock step."""

    @property
    def healthy(self) -> bool:
        """Whether every bus is."""
        return all(bus.healthy for bus in self.buses)

    def to_json(self) -> dict[str, Any]:
        """Return it as plain content, as `dutytrace bus --json` answers."""
        return {
            "healthy": self.healthy,
            "span_s": round(self.span_s, 3),
            "said": [text for _, text in self.remarks],
            "buses": [one.to_json() for one in self.buses],
        }


def capture_buses(bench: Bench, *, where: str, for_s: float, stop: threading.Event) -> ListenResult:
    """Listen until the time is over or `stop` is set.

    `where` is the bench file's name, for messages.

    Raises
    ------
    InputError
        A bus cannot be opened.
    OutsideFault
        Receiving failed in a way that no adapter should.
    """
    listen_only = replace(
        bench, buses=tuple(bus.model_copy(update={"send": False}) for bus in bench.buses)
    )
    clock = RecordingClock(read_clocks())
    sources = open_sources(listen_only.buses, clock.anchor, where=where)
    try:
        listeners = [_BusListener(source) for source in sources]
        start_ns = max(listener.discard_backlog() for listener in listeners)
    except BaseException:
        for source in sources:
            source.close()
        raise
    end_event = threading.Event()
    threads = [
        threading.Thread(
            target=listener.run_until, args=(end_event,), name=f"listen-{bus_index}", daemon=True
        )
        for bus_index, listener in enumerate(listeners)
    ]
    for thread in threads:
        thread.start()
    until_s = time.monotonic() + for_s
    while (left_s := until_s - time.monotonic()) > 0 and not any(
        listener.fault for listener in listeners
    ):
        if stop.wait(min(left_s, 0.1)):
            break
    end_ns = clock.time_at(read_clocks())
    end_event.set()
    stuck_s = time.monotonic() + _THREAD_JOIN_S
    for thread, source in zip(threads, sources, strict=True):
        thread.join(max(stuck_s - time.monotonic(), 0.0))
        # A driver that holds its thread would hold us as well.
        if not thread.is_alive():
            source.close()
    fault = next((listener.fault for listener in listeners if listener.fault is not None), None)
    if fault is not None:
        raise OutsideFault(
            f"{where}: listening failed ({type(fault).__name__}: {fault})."
        ) from fault
    frames = FrameBatch.concatenate([listener.joined_frames() for listener in listeners])
    frames = frames.select_rows((frames.time_ns >= start_ns) & (frames.time_ns < end_ns))
    return ListenResult(
        buses=tuple(
            BusCapture(
                health=capture,
                lost=listener.lost,
                garbled=source.garbled,
                is_away=any(kind == EventKind.BUS_LOST for kind, _ in listener.remarks),
            )
            # Hints are about the bus of the bench file, not about the silent one opened here.
            for capture, listener, source in zip(
                bus_health(
                    frames,
                    bench,
                    start_ns=start_ns,
                    end_ns=end_ns,
                    garbled=[source.garbled for source in sources],
                ),
                listeners,
                sources,
                strict=True,
            )
        ),
        span_s=to_s(end_ns - start_ns),
        remarks=tuple(remarks for listener in listeners for remarks in listener.remarks),
    )


class _BusListener:
    """One bus and the frames received on it; written by its thread."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._batches: list[FrameBatch] = []
        self._joined: list[FrameBatch] = []
        self.remarks: list[tuple[EventKind, str]] = []
        self.lost = 0
        self.fault: Exception | None = None

    def discard_backlog(self) -> int:
        """Drop frames that waited since the bus was opened; return when listening begins."""
        received = self._source.receive(0.0)
        self.remarks += received.remarks
        return received.until_ns

    def run_until(self, end_event: threading.Event) -> None:
        try:
            while not end_event.is_set():
                self._keep(self._source.receive(_LISTEN_WAIT_S))
            for received in self._source.receive_rest():
                self._keep(received)
        except Exception as fault:  # noqa: BLE001 - whatever it is, the caller must know
            self.fault = fault

    def _keep(self, received: Received) -> None:
        self.remarks += received.remarks
        self.lost += received.lost
        if len(received.frames):
            self._batches.append(received.frames)
        # A batch of one frame takes ten times the room of the frame.
        if len(self._batches) >= _JOIN_EVERY:
            self._joined.append(FrameBatch.concatenate(self._batches))
            self._batches = []

    def joined_frames(self) -> FrameBatch:
        """Return all received frames, in order of time."""
        return FrameBatch.concatenate([*self._joined, *self._batches])
