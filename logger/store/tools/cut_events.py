"""The events of a cut: those of its span, and earlier ones that still matter where it begins.

An alert that is active at the start is copied with all its events, at their own times: it reads as
raised before the cut began, as it was. Pure.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from logger.arrays import TIME_MAX_NS
from logger.event_kind import EventKind
from logger.limits.lifecycle import alerts_from_events
from logger.store.layout.events import Event
from logger.store.layout.manifest import CutFrom, iso_utc

__all__ = ["events_for_cut", "events_of_cut"]

_STAGE_KINDS: Final = frozenset({EventKind.STAGE_BEGUN, EventKind.PLAN_DONE})


def events_of_cut(
    events: Sequence[Event], cut: CutFrom, *, to_the_end: bool, live: bool
) -> tuple[list[Event], int]:
    """Return the events of a cut, renumbered from 1, and how many alerts are open at its start.

    Parameters
    ----------
    events
        All events of the original, in sequence.
    to_the_end
        The cut reaches the end of the original: notes added after the end belong to it.
    live
        The original is still being written.
    """
    end_ns = TIME_MAX_NS if to_the_end else cut.to_ns
    events_before, within = events_for_cut(events, start_ns=cut.from_ns, end_ns=end_ns)
    cut_start_text = iso_utc(cut.started_ns)
    text = f"Cut out of {cut.name} ({cut.recording}), which began {cut_start_text}."
    start_event = Event(sequence=0, time_ns=cut.from_ns, kind=EventKind.STARTED, text=text)
    carried = [
        *events_before,
        start_event,
        *(event for event in within if event.kind != EventKind.STARTED),
    ]
    last = [event.kind for event in within if event.kind in {EventKind.ENDED, EventKind.CONTINUED}][
        -1:
    ]
    if last != [EventKind.ENDED] or not to_the_end:
        rest = " Its recording goes on." if live or not to_the_end else ""
        carried.append(
            Event(sequence=0, time_ns=cut.to_ns, kind=EventKind.ENDED, text=f"The cut ends.{rest}")
        )
    open_alerts = sum(alert.is_open(cut.from_ns) for alert in alerts_from_events(events_before))
    return [replace(event, sequence=1 + index) for index, event in enumerate(carried)], open_alerts


def events_for_cut(
    events: Sequence[Event], *, start_ns: int, end_ns: int
) -> tuple[list[Event], list[Event]]:
    """Return the events before [start_ns, end_ns) that a cut needs, and those within.

    Needed are those of alerts that are active or open at `start_ns`, of alerts that events within
    refer to, and of limits that are shelved there: so that every alert has the state that it had;
    and that the stage of the plan began which is on there.
    """
    earlier = [event for event in events if event.time_ns < start_ns]
    within = [event for event in events if start_ns <= event.time_ns < end_ns]
    alerts = alerts_from_events(earlier)
    mentioned_alerts = {event.alert for event in within if event.alert}
    shelved_alerts = {
        (alert.joint, alert.limit)
        for alert in alerts
        if alert.shelved_until_ns is not None and alert.shelved_until_ns > start_ns
    }
    wanted_alerts = {
        alert.number
        for alert in alerts
        if alert.returned_ns is None
        or alert.is_open(start_ns)
        or alert.number in mentioned_alerts
        or (alert.joint, alert.limit) in shelved_alerts
    }
    # A limit may have been shelved through one of its alerts and unshelved through another.
    wanted_limits = {
        (alert.joint, alert.limit) for alert in alerts if alert.number in wanted_alerts
    }
    shelving = {EventKind.SHELVED, EventKind.UNSHELVED}
    shelved_through = {event.alert for event in earlier if event.kind in shelving}
    wanted_alerts |= {
        alert.number
        for alert in alerts
        if alert.number in shelved_through and (alert.joint, alert.limit) in wanted_limits
    }
    stages = [event for event in earlier if event.kind in _STAGE_KINDS]
    stage = {event.sequence for event in stages[-1:]}
    return [
        event for event in earlier if event.alert in wanted_alerts or event.sequence in stage
    ], within
