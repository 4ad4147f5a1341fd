"""Events of recorders of any age: old ones name bus, frame and request in their sentences only.

Their sentences are parsed in one place, `with_facts_of_before`, and never for rows that have the
columns `bus`, `frame` and `request`, so that new wording of a sentence changes nothing that is
read. Pure.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import pyarrow as pa

from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event, events_from
from logger.store.layout.schema import EVENT_SCHEMA, conform

__all__ = ["HANDED_OVER_BEFORE", "events_of", "with_facts_of_before"]

HANDED_OVER_BEFORE: Final = "handed over"
"""`request` of an old event about submitted limits: the name of its request is not known."""
_OF_NO_BUS: Final = frozenset({EventKind.CLOCK_STEP, EventKind.CONTINUED})
_OF_LIMITS: Final = frozenset({EventKind.LIMITS_TAKEN_OVER, EventKind.LIMITS_REFUSED})
_OF_BUSES: Final = frozenset(
    {
        *(EventKind.BUS_LOST, EventKind.BUS_BACK, EventKind.BUS_HINT),
        *(EventKind.DROPPED, EventKind.REFUSED, EventKind.ASKED_SLOWER),
    }
)


def events_of(tables: Iterable[pa.Table], bench: Bench) -> list[Event]:
    """Return the events of tables of the `events` stream, of recorders of any age, in sequence."""
    # Concatenated first: a journal that grows holds each event in a batch of its own.
    of_now, of_before = [EVENT_SCHEMA.empty_table()], [EVENT_SCHEMA.empty_table()]
    for table in tables:
        (of_now if "bus" in table.column_names else of_before).append(conform(table, EVENT_SCHEMA))
    events = events_from(pa.concat_tables(of_now))
    events += [
        with_facts_of_before(event, bench) for event in events_from(pa.concat_tables(of_before))
    ]
    return sorted(events, key=lambda event: event.sequence)


def with_facts_of_before(event: Event, bench: Bench) -> Event:
    """Return an event of a recorder without the columns, completed from its sentence."""
    return replace(
        event,
        bus=_bus_in_sentence(event, bench),
        frame=_frame_in_sentence(event, bench),
        request=HANDED_OVER_BEFORE
        if event.kind in _OF_LIMITS and event.text.startswith("Handed over")
        else "",
    )


def _bus_in_sentence(event: Event, bench: Bench) -> int | None:
    if event.joint:
        return bench.bus_of_joint(event.joint)
    if event.kind not in _OF_BUSES:
        return None
    if len(bench.buses) == 1:
        return 0
    for bus_index, bus in enumerate(bench.buses):
        begins = (f"The bus {bus.channel} ", f"{bus.channel}: ", f"The bus {bus.name}: ")
        if event.text.startswith(begins) or f" lost on the bus {bus.channel}:" in event.text:
            return bus_index
    return None


def _frame_in_sentence(event: Event, bench: Bench) -> str:
    if event.kind not in {EventKind.FAULT, EventKind.STATE} or event.channel:
        return ""
    joint = next((joint for joint in bench.joints if joint.name == event.joint), None)
    frames = () if joint is None else bench.layout_of(joint).frame
    return next(
        (
            frame.name
            for frame in frames
            if frame.part
            and EventKind(frame.event) == event.kind
            and event.text.startswith(f"{event.joint}: {frame.name}: ")
        ),
        "",
    )
