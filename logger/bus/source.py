"""A bus: receives in batches, notices a loss, reconnects.

`wait` waits on the file descriptor; bytes that have no time until they are read, it reads. `take`
makes frames of all that is there. A lost bus is reported once, with its cause, and opened again
with growing pauses; it is reported as back when it was read without a fault. Frames that the system
dropped are reported with their count, and spans in which nobody read the bus. One thread.
"""

import logging
import select
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import can
import numpy as np

from logger.arrays import to_ns, to_s
from logger.bus.clock import ClockSample, RecordingClock, read_clocks
from logger.bus.opening import open_bus, output_for, reader_for
from logger.bus.python_can_workarounds import bus_descriptor, fault_text, peer_closed
from logger.bus.reader import CollectingReader, FrameReader, ReadResult
from logger.bus.serial_output import MAX_WRITE_S, SerialOutput
from logger.bus.standstill import Standstill, StandstillWatch
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import BusSettings

__all__ = ["Received", "Source", "open_sources"]

log = logging.getLogger(__name__)

POLL_INTERVAL_S: Final = 0.002
CHECK_AFTER_QUIET_CALLS: Final = 5
"""Calls in a row in which a bus said "there is something" and gave nothing, before it is paused."""
MAX_LAST_READS: Final = 100
"""Reads at the end of a recording: as many frames as a bus may have kept meanwhile."""
MIN_REOPEN_PAUSE_S: Final = 0.25
MAX_REOPEN_PAUSE_S: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """The result of one call of `receive`."""

    frames: FrameBatch
    until_ns: int
    """Every later frame of this bus has a time of at least this."""
    remarks: tuple[tuple[EventKind, str], ...] = ()
    """(kind, sentence) of events: bus lost, bus back, clock step."""
    lost: int = 0
    """Frames that the system dropped because its buffer was full."""
    standstills: tuple[Standstill, ...] = ()
    """Spans, on the recording's axis, in which the bus was not read although it was there."""
    bus: int = 0
    """Index in the bench's list of buses."""
    sent_requests: tuple[tuple[int, int], ...] = ()
    """Requests that were sent meanwhile: number and time (ns)."""
    sent_bits: int = 0
    """Bits on the wire of all requests and stop frames that were sent so far."""
    unqueued: int = 0
    """Frames of the bus before these that the writer did not keep up with, so far."""


def open_sources(
    buses: Sequence[BusSettings], anchor: ClockSample, *, where: str
) -> "list[Source]":
    """Open every bus, each on an axis of the same anchor; none stays open when one cannot be.

    Raises
    ------
    InputError
        One of them cannot be opened, or the bench has none.
    """
    if not buses:
        raise InputError(
            f"{where}: found a bench without a bus, expected [bus]: its readings come from a table "
            "of values, which `dutytrace import` makes a recording of."
        )
    sources: list[Source] = []
    try:
        for bus_index, bus in enumerate(buses):
            sources.append(Source(bus, RecordingClock(anchor), where=where, bus_index=bus_index))
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
        clock: RecordingClock,
        *,
        where: str,
        bus_index: int = 0,
        clock_reader: Callable[[], ClockSample] = read_clocks,
    ) -> None:
        """Open the bus; raises InputError when it cannot be opened at all.

        `bus_index` is its place in the bench. The first bus reports clock steps, for all.
        """
        self._settings = settings
        self._where = where
        self.bus_index = bus_index
        self._clock = clock
        self._clock_reader = clock_reader
        self._bus: can.BusABC | None = None
        self._use_bus(open_bus(settings, where))
        self._away = False
        self._retry_at_s = 0.0
        self._pause_s = MIN_REOPEN_PAUSE_S
        self._lost_at_ns = 0
        self._received_any = False
        self._is_drained = True
        self._until_ns = clock.anchor.wall_ns
        self._watch = StandstillWatch()
        self._excused_ns = 0
        self._sample = clock.anchor
        self._is_ready = False
        self._standstills: list[Standstill] = []
        self.holds_bytes = False
        """Whether something was read that the next `take` makes frames of."""
        self.garbled = 0
        """Lines or frames that the adapter sent and python-can could not read."""

    def _use_bus(self, bus: can.BusABC) -> None:
        """Begin with a bus that was opened."""
        self._bus = bus
        self._reader: FrameReader = reader_for(
            bus, self._settings, self.bus_index, now_ns=self.now_ns
        )
        self._collecting = self._reader if isinstance(self._reader, CollectingReader) else None
        self._output: SerialOutput | None = output_for(bus)
        self._descriptor = bus_descriptor(bus)
        self._dropped = self._quiet_calls = 0

    def receive(self, wait_s: float) -> Received:
        """Return the received frames, after waiting for at most `wait_s` when there are none."""
        self.wait(wait_s)
        return self.take()

    def receive_rest(self) -> list[Received]:
        """Return, for whoever ends, what came until now; of a bus that is away nothing."""
        ended_ns = self.now_ns()
        rest: list[Received] = []
        # A bus that brings more than can be taken, with stamps that lag behind, has no end.
        while self._bus is not None and self._until_ns < ended_ns and len(rest) < MAX_LAST_READS:
            rest.append(self.receive(0.0))
        return rest

    def wait(self, wait_s: float) -> bool:
        """Wait for at most `wait_s` until there is something; return whether to `take` it at once.

        Where not, it may be taken later with the same times: it was read, and is held.
        """
        if self._bus is None:
            time.sleep(min(wait_s, 0.05))
            self._try_reopen()
            self._watch.reset()
            self._is_ready = True
        else:
            self._is_ready = self._wait(wait_s)
        self._sample = sample = self._clock_reader()
        excused_ns, self._excused_ns = self._excused_ns + to_ns(wait_s), 0
        is_due = self._away
        if (standstill := self._watch.note(sample, excused_ns=excused_ns)) is not None:
            self._standstills.append(self._on_axis(standstill))
            is_due = True
        reader = self._collecting
        if self._bus is None or reader is None:
            return True
        if self._is_ready:
            if reader.collect(self._clock.time_at(sample)):
                self.holds_bytes = True
                is_due |= reader.has_fault
            else:
                self._quiet_calls += 1
        return is_due

    def take(self) -> Received:
        """Return the frames received so far; never waits."""
        remarks: list[tuple[EventKind, str]] = []
        sample = self._sample
        nothing = ReadResult(frames=FrameBatch.empty(), drained=True, may_have_overrun=False)
        read_result, lost = nothing, 0
        # A frame with a stamp of its own may be older than the promise below: it is looked for.
        is_empty = not (self._is_ready or self.holds_bytes) and self._is_drained
        self.holds_bytes = False
        if self._bus is not None and (self._away or not (is_empty and self._reader.stamps_on_read)):
            read_result, lost = self._read_bus(remarks)
        self._is_drained = read_result.drained
        sample_after = self._clock_reader()
        if self.bus_index == 0:
            remarks.extend(
                (EventKind.CLOCK_STEP, text) for text in self._clock.clock_changes(sample_after)
            )
        standstills = self._take_standstills(read_result, sample_after)
        frames = read_result.frames
        if len(frames):
            times = frames.time_ns
            if self._collecting is None:
                times = self._clock.map_stamps(
                    times,
                    sample_after,
                    unread_ns=sum(standstill.duration_ns for standstill in standstills),
                )
            # A stamp from before the last promise counts as that instant: the promise holds.
            times = np.maximum.accumulate(np.maximum(times, self._until_ns))
            self._until_ns = int(times[-1])
            frames = replace(frames, time_ns=times)
        if read_result.drained or not len(frames):
            self._until_ns = max(self._until_ns, self._clock.time_at(sample))
        return Received(
            frames=frames,
            until_ns=self._until_ns,
            remarks=tuple(remarks),
            lost=lost,
            standstills=standstills,
            bus=self.bus_index,
        )

    def _take_standstills(
        self, read_result: ReadResult, sample: ClockSample
    ) -> tuple[Standstill, ...]:
        """Return those since the last call; `sample`: after the bus was read."""
        found, self._standstills = self._standstills, []
        if not read_result.may_have_overrun:
            found = [replace(standstill, is_loss_counted=True) for standstill in found]
        newest = self._watch.note(sample)
        return tuple(found) if newest is None else (*found, self._on_axis(newest))

    @property
    def listens_only(self) -> bool:
        """Whether the adapter reports that it only listens; not every one reports it."""
        return self._bus is not None and self._bus.state is can.BusState.PASSIVE

    def now_ns(self) -> int:
        """Return the time on the recording's axis."""
        return self._clock.time_at(self._clock_reader())

    def send(self, message: can.Message) -> bool:
        """Send a frame; False when the bus is away or refuses."""
        return self.send_all((message,)) == 1

    def send_all(self, messages: Sequence[can.Message]) -> int:
        """Send frames in order, in one write where the adapter allows; return how many it took."""
        if self._bus is None or not messages:
            return 0
        began_ns = time.monotonic_ns()
        taken = 0
        try:
            if self._output is not None:
                taken = self._output.write_frames(messages)
            else:
                # An adapter that accepts nothing would block for each of the others as well.
                for message in messages:
                    self._bus.send(message, timeout=MAX_WRITE_S)
                    taken += 1
        except (can.CanError, OSError) as fault:
            log.debug("not sent: %s", fault)
        # An adapter that takes nothing is no standstill of the recorder.
        self._excused_ns += min(time.monotonic_ns() - began_ns, to_ns(MAX_WRITE_S))
        return taken

    def close(self) -> None:
        """Close the bus; never raises."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.shutdown()
            except (can.CanError, OSError) as fault:
                log.debug("closing the bus: %s", fault)

    def _on_axis(self, standstill: Standstill) -> Standstill:
        """Return a standstill on the recording's axis."""
        offset_ns = self._clock.anchor.wall_ns - self._clock.anchor.boottime_ns
        return replace(
            standstill,
            start_ns=standstill.start_ns + offset_ns,
            end_ns=standstill.end_ns + offset_ns,
            is_loss_counted=self._reader.counts_losses,
        )

    def _wait(self, wait_s: float) -> bool:
        """Wait until there may be something to read; return whether there may."""
        if self._descriptor is None:
            time.sleep(min(wait_s, POLL_INTERVAL_S))
            return True
        delay_s = self._reader.read_delay_s
        until_s = time.monotonic() + wait_s if delay_s else 0.0
        try:
            ready = bool(select.select([self._descriptor], [], [], wait_s)[0])
        except (OSError, ValueError):
            ready = True
        # One wake for many frames, where that costs neither frames nor their times.
        if ready and delay_s and (delay_s := min(until_s - time.monotonic(), delay_s)) > 0:
            time.sleep(delay_s)
        # A descriptor that is always ready and never gives anything would take a whole core.
        if ready and self._quiet_calls >= CHECK_AFTER_QUIET_CALLS:
            time.sleep(min(wait_s, POLL_INTERVAL_S))
        return ready

    def _read_bus(self, remarks: list[tuple[EventKind, str]]) -> tuple[ReadResult, int]:
        """Read the bus: what it gave, and how many frames the system dropped."""
        read_result = self._reader.read_frames()
        self.garbled += read_result.garbled
        dropped = self._reader.dropped_count()
        lost, self._dropped = max(dropped - self._dropped, 0), dropped
        fault = read_result.fault
        if len(read_result.frames):
            self._received_any = True
            self._quiet_calls = 0
        else:
            self._quiet_calls += 1
            # Some interfaces go on as if the bus were quiet when their other side has gone.
            if (
                fault is None
                and self._quiet_calls >= CHECK_AFTER_QUIET_CALLS
                and self._descriptor is not None
                and peer_closed(self._descriptor)
            ):
                fault = OSError("the other side closed the connection")
        if fault is not None:
            self._mark_lost(fault, remarks)
        elif self._away:
            self._away = False
            away_s = to_s(self._clock.time_at(self._clock_reader()) - self._lost_at_ns)
            remarks.append((EventKind.BUS_BACK, f"{self._name} is back after {away_s:.1f} s."))
        return read_result, lost

    @property
    def _name(self) -> str:
        return f"The bus {self._settings.channel}"

    def _mark_lost(self, fault: Exception, remarks: list[tuple[EventKind, str]]) -> None:
        self.close()
        # A bus that opens and fails again without a frame is tried, and reported, ever less often.
        self._pause_s = (
            MIN_REOPEN_PAUSE_S if self._received_any else min(self._pause_s * 2, MAX_REOPEN_PAUSE_S)
        )
        self._received_any = False
        self._retry_at_s = time.monotonic() + self._pause_s
        if not self._away:
            self._away = True
            self._lost_at_ns = self._clock.time_at(self._clock_reader())
            remarks.append(
                (EventKind.BUS_LOST, f"{self._name} went away: {fault_text(fault)}. Trying again.")
            )

    def _try_reopen(self) -> None:
        if time.monotonic() < self._retry_at_s:
            return
        try:
            bus = open_bus(self._settings, self._where)
        except InputError:
            self._pause_s = min(self._pause_s * 2, MAX_REOPEN_PAUSE_S)
            self._retry_at_s = time.monotonic() + self._pause_s
            return
        self._use_bus(bus)
