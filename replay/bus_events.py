"""The events and outages of the buses of a recording, and who sent in a short span of it.

The span is a bounded sample: its frames are read a second at a time until there are enough, and the
result says which span was read in the end. Nothing here reads all frames of a recording.
"""

from dataclasses import dataclass, replace
from typing import Final

from logger.arrays import to_ns
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.store.layout.events import pause_ns
from logger.traffic.bus_statistics import BusStatistics, bus_statistics, statistics_plan
from logger.traffic.diagnosis import diagnose
from replay.bus_history import count_garbled
from replay.recording import Recording

__all__ = [
    "MAX_SAMPLE_FRAMES",
    "BusEvent",
    "Outage",
    "TrafficSample",
    "find_outages",
    "list_bus_events",
    "sample_traffic",
]

MAX_SAMPLE_FRAMES: Final = 200_000
"""Of a sample: some 25 s of a full 1 Mbit/s bus, evaluated in a fraction of a second."""
MAX_SAMPLE_S: Final = 600.0
"""Of a sample, however quiet the bus."""
_SAMPLE_STEP_NS: Final = 1_000_000_000
_MAX_SAMPLE_STEP_NS: Final = 16 * _SAMPLE_STEP_NS
_BUS_EVENT_KINDS: Final = (
    EventKind.BUS_LOST,
    EventKind.BUS_BACK,
    EventKind.DROPPED,
    EventKind.STANDSTILL,
    EventKind.GARBLED,
    EventKind.DAMAGED,
    EventKind.SKIPPED,
    EventKind.BUS_HINT,
    EventKind.CLOCK_STEP,
    EventKind.REFUSED,
    EventKind.CONTINUED,
)
_HINTS_THAT_NEED_THE_BUS: Final = frozenset({"nothing", "silent", "stopped", "gaps", "not_asked"})
"""Hints of `diagnose` that mean nothing while the bus itself was lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BusEvent:
    """An event that concerns a bus."""

    time_ns: int
    kind: EventKind
    bus: int | None
    """Index in the bench's list of buses; None: all of them, or it is not known which."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A span in which a bus was lost or not read, or in which no recorder ran."""

    bus: int | None
    """Index of the bus; None: all of them, since no recorder ran."""
    start_ns: int
    end_ns: int | None
    """None: it has not come back."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrafficSample:
    """Who sent in a span."""

    start_ns: int
    end_ns: int
    """End of the span that was read, which may be shorter than the requested one."""
    is_truncated: bool
    """Whether it is shorter."""
    buses: tuple[BusStatistics, ...]
    """One for each bus of the bench."""
    hints: tuple[tuple[str, ...], ...]
    """For each bus what its statistics suggest, in sentences."""


def list_bus_events(recording: Recording) -> tuple[BusEvent, ...]:
    """Return the events that concern buses, in the order in which they were recorded."""
    return tuple(
        BusEvent(
            time_ns=event.time_ns,
            kind=event.kind,
            bus=event.bus,
            text=event.text,
        )
        for event in recording.read_events()
        if event.kind in _BUS_EVENT_KINDS
    )


def find_outages(recording: Recording) -> tuple[Outage, ...]:
    """Return every outage, in order of its start.

    A lost bus is out until it is back, or until its recorder ended. Where another recorder resumed,
    its event says for how long none ran; that span is an outage of all buses. A standstill of the
    recorder is one of each bus that was not read.
    """
    outages: list[Outage] = []
    open_outages: dict[int | None, BusEvent] = {}

    def close(bus: int | None, end_ns: int | None) -> None:
        lost = open_outages.pop(bus, None)
        if lost is not None:
            outages.append(Outage(bus=bus, start_ns=lost.time_ns, end_ns=end_ns, text=lost.text))

    pauses_ns = {
        event.time_ns: pause_ns(event)
        for event in recording.read_events()
        if event.kind in {EventKind.CONTINUED, EventKind.STANDSTILL}
    }
    for bus_event in list_bus_events(recording):
        if bus_event.kind == EventKind.BUS_LOST:
            open_outages.setdefault(bus_event.bus, bus_event)
        elif bus_event.kind == EventKind.BUS_BACK:
            close(bus_event.bus, bus_event.time_ns)
        elif bus_event.kind == EventKind.CONTINUED:
            began_ns = bus_event.time_ns - pauses_ns[bus_event.time_ns]
            for bus in list(open_outages):
                close(bus, min(began_ns, bus_event.time_ns))
            outages.append(
                Outage(bus=None, start_ns=began_ns, end_ns=bus_event.time_ns, text=bus_event.text)
            )
        elif bus_event.kind == EventKind.STANDSTILL:
            began_ns = bus_event.time_ns - pauses_ns[bus_event.time_ns]
            outages.append(
                Outage(
                    bus=bus_event.bus,
                    start_ns=began_ns,
                    end_ns=bus_event.time_ns,
                    text=bus_event.text,
                )
            )
    for bus in list(open_outages):
        close(bus, None if recording.live else recording.end_ns)
    return tuple(sorted(outages, key=lambda away: away.start_ns))


def sample_traffic(
    recording: Recording,
    start_ns: int,
    end_ns: int,
    *,
    newest: bool = False,
    max_frames: int = MAX_SAMPLE_FRAMES,
) -> TrafficSample:
    """Return who sent in [start_ns, end_ns), or in a part of it that holds enough frames.

    Parameters
    ----------
    newest
        If only a part is read, it is the end of the span rather than the beginning.
    max_frames
        Reading stops after the piece in which so many frames are reached.
    """
    requested_ns = end_ns - start_ns
    remaining_ns = min(requested_ns, to_ns(MAX_SAMPLE_S))
    sampled_ns, width_ns, count = 0, _SAMPLE_STEP_NS, 0
    pieces: list[FrameBatch] = []
    while remaining_ns > 0 and count < max_frames:
        width_ns = min(width_ns, remaining_ns)
        begin_ns = end_ns - sampled_ns - width_ns if newest else start_ns + sampled_ns
        pieces.append(recording.read_frames(begin_ns, begin_ns + width_ns))
        count += len(pieces[-1])
        sampled_ns, remaining_ns = sampled_ns + width_ns, remaining_ns - width_ns
        # A quiet bus is read in wider pieces: each read costs something, however few its frames.
        width_ns = (
            min(2 * width_ns, _MAX_SAMPLE_STEP_NS)
            if len(pieces[-1]) < max_frames // 100
            else _SAMPLE_STEP_NS
        )
    if newest:
        start_ns, pieces = end_ns - sampled_ns, pieces[::-1]
    end_ns = start_ns + sampled_ns
    buses = bus_statistics(
        FrameBatch.concatenate(pieces),
        statistics_plan(recording.bench),
        start_ns=start_ns,
        end_ns=end_ns,
        garbled=count_garbled(recording, start_ns, end_ns),
    )
    outages = [
        outage
        for outage in find_outages(recording)
        if outage.start_ns < end_ns and (outage.end_ns is None or outage.end_ns > start_ns)
    ]
    return TrafficSample(
        start_ns=start_ns,
        end_ns=end_ns,
        is_truncated=sampled_ns < requested_ns,
        buses=buses,
        hints=tuple(
            _sample_hints(statistics, is_out=any(outage.bus in {None, index} for outage in outages))
            for index, statistics in enumerate(buses)
        ),
    )


def _sample_hints(statistics: BusStatistics, *, is_out: bool) -> tuple[str, ...]:
    """Return the hints that hold for a recording.

    `diagnose` is written for somebody who only listens, before anything is recorded.
    """
    settings = statistics.settings
    if settings.send:
        # The recorder did send requests and acknowledge frames. So a silent joint is not one that
        # only waits for a request, and frames without an acknowledgement mean a faulty adapter.
        statistics = replace(
            statistics,
            only_requested=(),
            settings=settings.model_copy(update={"acknowledge": True}),
        )
    hints = diagnose(statistics)
    return tuple(
        text for name, text in hints.items() if not (is_out and name in _HINTS_THAT_NEED_THE_BUS)
    )
