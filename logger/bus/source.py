"""A bus: receive in batches, notice a loss, come back.

`receive` waits on the file descriptor and then takes what is there. A bus that goes is told once,
with its cause, and opened again with growing pauses; it is told to be back when it has been looked
at without a fault. Frames that the system dropped are told with their count. For one thread.
"""

import logging
import select
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import can
import numpy as np

from logger.bus.clock import Axis, Reading, read_clocks
from logger.bus.opening import LONGEST_WRITE_S, open_bus, reader_of
from logger.bus.python_can_workarounds import descriptor_of, ended
from logger.bus.reader import Reader
from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import BusSettings

__all__ = ["Received", "Source", "open_all"]

log = logging.getLogger(__name__)

POLL_S: Final = 0.002
QUIET_CALLS: Final = 5
"""Calls in a row in which a bus said "there is something" and gave nothing, before it is paused."""
SHORTEST_PAUSE_S: Final = 0.25
LONGEST_PAUSE_S: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What one call of `receive` brought."""

    frames: FrameBatch
    until_ns: int
    """Every later frame of this bus has a time of at least this."""
    said: tuple[tuple[str, str], ...] = ()
    """(kind, sentence) of what happened: bus lost, bus back, clock step."""
    lost: int = 0
    """Frames that the system dropped because its buffer was full."""
    bus: int = 0
    """Place in the bench's list of buses."""
    asked: tuple[tuple[int, int], ...] = ()
    """Requests that were sent meanwhile: number and time (ns)."""


def open_all(buses: Sequence[BusSettings], anchor: Reading, *, where: str) -> "list[Source]":
    """Open every bus, each on an axis of the same anchor; none stays open when one cannot be.

    Raises
    ------
    InputError
        One of them cannot be opened.
    """
    sources: list[Source] = []
    try:
        for place, bus in enumerate(buses):
            sources.append(Source(bus, Axis(anchor), where=where, place=place))
    except BaseException:
        for source in sources:
            source.close()
        raise
    return sources


class Source:
    """A bus that is open, or being opened again."""

    def __init__(
        self,
        settings: BusSettings,
        axis: Axis,
        *,
        where: str,
        place: int = 0,
        clocks: Callable[[], Reading] = read_clocks,
    ) -> None:
        """Open the bus; raises InputError when it cannot be opened at all.

        `place` is its place in the bench. The first bus tells what the clocks did, for all.
        """
        self._settings = settings
        self._where = where
        self.place = place
        self._axis = axis
        self._clocks = clocks
        self._bus: can.BusABC | None = open_bus(settings, where)
        self._reader: Reader = reader_of(self._bus, settings, place)
        self._descriptor = descriptor_of(self._bus)
        self._away = False
        self._retry_at_s = 0.0
        self._pause_s = SHORTEST_PAUSE_S
        self._lost_at_ns = 0
        self._heard = False
        self._quiet_calls = 0
        self._dropped = 0
        self._until_ns = axis.anchor.wall_ns
        self.garbled = 0
        """Lines or frames that the adapter sent and python-can could not read."""

    def receive(self, wait_s: float) -> Received:
        """Return what has come, after waiting for at most `wait_s` when nothing has."""
        said: list[tuple[str, str]] = []
        if self._bus is None:
            time.sleep(min(wait_s, 0.05))
            self._reopen()
        else:
            self._wait(wait_s)
        reading = self._clocks()
        frames, drained, lost = FrameBatch.empty(), True, 0
        if self._bus is not None:
            frames, drained, lost = self._look(said)
        after = self._clocks()
        if self.place == 0:
            said.extend(("clock step", text) for text in self._axis.oddities(after))
        times = self._axis.stamped(frames.time_ns, after)
        # A stamp from before the last promise counts as that instant: the promise holds.
        times = np.maximum(times, self._until_ns)
        if len(times):
            self._until_ns = int(times[-1])
        if drained or not len(times):
            self._until_ns = max(self._until_ns, self._axis.at(reading))
        return Received(
            frames=replace(frames, time_ns=times),
            until_ns=self._until_ns,
            said=tuple(said),
            lost=lost,
            bus=self.place,
        )

    @property
    def listens_only(self) -> bool:
        """Whether the adapter says that it takes no part in the bus; not every one can tell."""
        return self._bus is not None and self._bus.state is can.BusState.PASSIVE

    def now_ns(self) -> int:
        """Return the time on the recording's axis."""
        return self._axis.at(self._clocks())

    def send(self, message: can.Message) -> bool:
        """Send a frame; False when the bus is away or refuses."""
        if self._bus is None:
            return False
        try:
            self._bus.send(message, timeout=LONGEST_WRITE_S)
        except (can.CanError, OSError) as fault:
            log.debug("not sent: %s", fault)
            return False
        return True

    def close(self) -> None:
        """Close the bus; never raises."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.shutdown()
            except (can.CanError, OSError) as fault:
                log.debug("closing the bus: %s", fault)

    def _wait(self, wait_s: float) -> None:
        if self._descriptor is None:
            time.sleep(min(wait_s, POLL_S))
            return
        try:
            ready = bool(select.select([self._descriptor], [], [], wait_s)[0])
        except (OSError, ValueError):
            ready = True
        # A descriptor that is always ready and never gives anything would take a whole core.
        if ready and self._quiet_calls >= QUIET_CALLS:
            time.sleep(min(wait_s, POLL_S))

    def _look(self, said: list[tuple[str, str]]) -> tuple[FrameBatch, bool, int]:
        """Take what is there: frames, whether nothing is left, and how many were dropped."""
        taken = self._reader.take()
        self.garbled += taken.garbled
        dropped = self._reader.lost()
        lost, self._dropped = max(dropped - self._dropped, 0), dropped
        fault = taken.fault
        if len(taken.frames):
            self._heard = True
            self._quiet_calls = 0
        else:
            self._quiet_calls += 1
            # Some interfaces go on as if the bus were quiet when their other side has gone.
            if (
                fault is None
                and self._quiet_calls >= QUIET_CALLS
                and self._descriptor is not None
                and ended(self._descriptor)
            ):
                fault = OSError("the other side closed the connection")
        if fault is not None:
            self._lose(fault, said)
        elif self._away:
            self._away = False
            away_s = (self._axis.at(self._clocks()) - self._lost_at_ns) * 1e-9
            said.append(("bus back", f"{self._name} is back after {away_s:.1f} s."))
        return taken.frames, taken.drained, lost

    @property
    def _name(self) -> str:
        return f"The bus {self._settings.channel}"

    def _lose(self, fault: Exception, said: list[tuple[str, str]]) -> None:
        self.close()
        # A bus that opens and goes again without a frame is tried, and told of, ever less often.
        self._pause_s = SHORTEST_PAUSE_S if self._heard else min(self._pause_s * 2, LONGEST_PAUSE_S)
        self._heard = False
        self._retry_at_s = time.monotonic() + self._pause_s
        if not self._away:
            self._away = True
            self._lost_at_ns = self._axis.at(self._clocks())
            said.append(("bus lost", f"{self._name} went away: {fault}. Trying again."))

    def _reopen(self) -> None:
        if time.monotonic() < self._retry_at_s:
            return
        try:
            self._bus = open_bus(self._settings, self._where)
        except InputError:
            self._pause_s = min(self._pause_s * 2, LONGEST_PAUSE_S)
            self._retry_at_s = time.monotonic() + self._pause_s
            return
        self._reader = reader_of(self._bus, self._settings, self.place)
        self._descriptor = descriptor_of(self._bus)
        self._dropped = self._quiet_calls = 0
