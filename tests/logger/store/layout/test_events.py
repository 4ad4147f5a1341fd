"""What events say of the recording itself: where readings of a joint are missing, or may be."""

import math

from logger.event_kind import EventKind
from logger.store.layout.events import Event, recording_breaks

S = 1_000_000_000


def _event(kind: EventKind, at_s: int, *, bus: int | None = 0, **told: float) -> Event:
    return Event(sequence=1, time_ns=at_s * S, kind=kind, bus=bus, **told)


def test_breaks_are_those_of_the_recorder_and_of_the_joints_bus():
    """Each ends where readings may come again; that of frames at the instant it is told of too."""
    events = [
        _event(EventKind.STARTED, 1, bus=None),
        _event(EventKind.CONTINUED, 10, bus=None, duration_s=math.nan, value=2.0),
        _event(EventKind.STANDSTILL, 20, duration_s=0.5),
        _event(EventKind.DROPPED, 30, value=3.0, duration_s=0.1),
        _event(EventKind.DROPPED, 35, value=3.0),
        _event(EventKind.BUS_LOST, 40),
        _event(EventKind.BUS_BACK, 41),
        _event(EventKind.SKIPPED, 50, value=1.0),
    ]
    assert recording_breaks(events, bus=0) == [
        (8 * S, 10 * S),
        (20 * S - S // 2, 20 * S),
        (30 * S - S // 10, 30 * S + 1),
        (35 * S, 35 * S + 1),
        (40 * S, 40 * S + 1),
    ]


def test_what_is_of_another_bus_or_was_kept_is_no_break():
    """A standstill whose losses are counted; a joint that no bus carries, an instrument."""
    events = [
        _event(EventKind.STANDSTILL, 20, bus=1, duration_s=0.5),
        _event(EventKind.STANDSTILL, 25, duration_s=0.5, value=0.0),
        _event(EventKind.DROPPED, 30, bus=1, value=3.0, duration_s=0.1),
    ]
    assert recording_breaks(events, bus=0) == []
    assert recording_breaks([_event(EventKind.CONTINUED, 10, bus=None)], bus=None) == []
