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
from logger.bus.health import BusHealth, health
from logger.bus.source import Received, Source
from logger.errors import OutsideFault
from logger.joint.batch import FrameBatch
from logger.joint.bench import Bench

__all__ = ["LONGEST_S", "BusHeard", "Listened", "listen"]

LONGEST_S: Final = 300.0
"""All that is heard is kept until the end: a full bus brings 2.4 million frames in this time."""
_LOOK_S: Final = 0.025
_STUCK_S: Final = 3.0


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
    sources: list[Source] = []
    try:
        for place, bus in enumerate(quiet.buses):
            sources.append(Source(bus, Axis(axis.anchor), where=where, place=place))
        # What has waited since a bus was opened is from before.
        start_ns = max(source.receive(0.0).until_ns for source in sources)
        ears = [_Ear(source) for source in sources]
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
    stop.wait(for_s)
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
    heard = [list(ear.heard) for ear in ears]
    frames = FrameBatch.joined([got.frames for bus in heard for got in bus if len(got.frames)])
    frames = frames.taken((frames.time_ns >= start_ns) & (frames.time_ns < end_ns))
    said = [[said for got in bus for said in got.said] for bus in heard]
    return Listened(
        buses=tuple(
            BusHeard(
                health=one,
                lost=sum(got.lost for got in heard[place]),
                garbled=sources[place].garbled,
                away=any(kind == "bus lost" for kind, _ in said[place]),
            )
            # Hints speak of what the bench file says: not of the quiet one.
            for place, one in enumerate(health(frames, bench, start_ns=start_ns, end_ns=end_ns))
        ),
        span_s=(end_ns - start_ns) * 1e-9,
        said=tuple(one for of_bus in said for one in of_bus),
    )


class _Ear:
    """One bus and what was heard on it; written by its thread."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.heard: list[Received] = []
        self.fault: Exception | None = None

    def run(self, ended: threading.Event) -> None:
        try:
            while not ended.is_set():
                received = self._source.receive(_LOOK_S)
                if len(received.frames) or received.said or received.lost:
                    self.heard.append(received)
        except Exception as fault:  # noqa: BLE001 - whatever it is, the caller must know
            self.fault = fault
