"""Listens to the buses of a bench for some seconds and says how they are; sends nothing.

One thread for each bus, so that a slow adapter does not smear the times of another. Whatever the
bench file says, buses are opened with `send = False`: a serial-line adapter stays silent unless
`bus.acknowledge` is set. The bit rate is the bench file's; no other is ever tried.
"""

import threading
import time
from dataclasses import dataclass, replace
from typing import Final

from logger.bus.clock import Axis, read_clocks
from logger.bus.source import Source, open_all
from logger.errors import OutsideFault
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.traffic.health import BusHealth, health

__all__ = ["LONGEST_S", "BusHeard", "Listened", "listen"]

LONGEST_S: Final = 300.0
"""All that is heard is kept until the end: a full bus brings 2.4 million frames in this time."""
_LOOK_S: Final = 0.025
_STUCK_S: Final = 3.0
_PIECES: Final = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class BusHeard:
    """What listening to one bus brought."""

    health: BusHealth
    lost: int
    """Frames that the system dropped because its buffer was full."""
    garbled: int
    """Lines or frames that could not be read."""
    away: bool
    """It went away meanwhile."""

    @property
    def healthy(self) -> bool:
        """Whether the bus is, and nothing was lost, unreadable or away."""
        return self.health.healthy and not (self.lost or self.garbled or self.away)


@dataclass(frozen=True, slots=True, kw_only=True)
class Listened:
    """What listening brought."""

    buses: tuple[BusHeard, ...]
    """In the bench's order."""
    span_s: float
    said: tuple[tuple[str, str], ...]
    """(kind, sentence) of what happened meanwhile: bus lost, bus back, clock step."""

    @property
    def healthy(self) -> bool:
        """Whether every bus is."""
        return all(bus.healthy for bus in self.buses)


def listen(bench: Bench, *, where: str, for_s: float, stop: threading.Event) -> Listened:
    """Listen until the time is over or `stop` is set.

    `where` is the bench file's name, for messages.

    Raises
    ------
    InputError
        A bus cannot be opened.
    OutsideFault
        Receiving failed in a way that no adapter should.
    """
    quiet = replace(
        bench, buses=tuple(bus.model_copy(update={"send": False}) for bus in bench.buses)
    )
    axis = Axis(read_clocks())
    sources = open_all(quiet.buses, axis.anchor, where=where)
    try:
        ears = [_Ear(source) for source in sources]
        start_ns = max(ear.begin() for ear in ears)
    except BaseException:
        for source in sources:
            source.close()
        raise
    ended = threading.Event()
    threads = [
        threading.Thread(target=ear.run, args=(ended,), name=f"listen-{place}", daemon=True)
        for place, ear in enumerate(ears)
    ]
    for thread in threads:
        thread.start()
    until_s = time.monotonic() + for_s
    while (left_s := until_s - time.monotonic()) > 0 and not any(ear.fault for ear in ears):
        if stop.wait(min(left_s, 0.1)):
            break
    end_ns = axis.at(read_clocks())
    ended.set()
    stuck_s = time.monotonic() + _STUCK_S
    for thread, source in zip(threads, sources, strict=True):
        thread.join(max(stuck_s - time.monotonic(), 0.0))
        # A driver that holds its thread would hold us as well.
        if not thread.is_alive():
            source.close()
    fault = next((ear.fault for ear in ears if ear.fault is not None), None)
    if fault is not None:
        raise OutsideFault(
            f"{where}: listening failed ({type(fault).__name__}: {fault})."
        ) from fault
    frames = FrameBatch.joined([ear.frames() for ear in ears])
    frames = frames.taken((frames.time_ns >= start_ns) & (frames.time_ns < end_ns))
    return Listened(
        buses=tuple(
            BusHeard(
                health=one,
                lost=ear.lost,
                garbled=source.garbled,
                away=any(kind == "bus lost" for kind, _ in ear.said),
            )
            # Hints speak of what the bench file says: not of the quiet one.
            for one, ear, source in zip(
                health(frames, bench, start_ns=start_ns, end_ns=end_ns), ears, sources, strict=True
            )
        ),
        span_s=(end_ns - start_ns) * 1e-9,
        said=tuple(said for ear in ears for said in ear.said),
    )


class _Ear:
    """One bus and what was heard on it; written by its thread."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._pieces: list[FrameBatch] = []
        self._joined: list[FrameBatch] = []
        self.said: list[tuple[str, str]] = []
        self.lost = 0
        self.fault: Exception | None = None

    def begin(self) -> int:
        """Let go of what has waited since the bus was opened; return from when on it counts."""
        received = self._source.receive(0.0)
        self.said += received.said
        return received.until_ns

    def run(self, ended: threading.Event) -> None:
        try:
            while not ended.is_set():
                received = self._source.receive(_LOOK_S)
                self.said += received.said
                self.lost += received.lost
                if len(received.frames):
                    self._pieces.append(received.frames)
                # A batch of one frame takes ten times the room of the frame.
                if len(self._pieces) >= _PIECES:
                    self._joined.append(FrameBatch.joined(self._pieces))
                    self._pieces = []
        except Exception as fault:  # noqa: BLE001 - whatever it is, the caller must know
            self.fault = fault

    def frames(self) -> FrameBatch:
        """Return all that was heard, in order of time."""
        return FrameBatch.joined([*self._joined, *self._pieces])
