"""Events: alerts and their life, notes, gaps, losses; one event, one row, in one sequence.

An event holds its facts in fields and a sentence for people; the state of an alert is a fold over
events (see `logger.limits.lifecycle`).
"""

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Final

import pyarrow as pa

from logger.arrays import TIME_MAX_NS, to_ns, to_s
from logger.event_kind import EventKind
from logger.limits.limit_change import EventSeverity
from logger.store.layout.schema import EVENT_SCHEMA

__all__ = [
    "Event",
    "events_from",
    "events_table",
    "headline",
    "pause_ns",
    "raised_in",
    "recording_breaks",
]


_TEXTS: Final = (
    *("joint", "limit", "severity", "channel", "text", "who", "frame", "request", "anchor"),
    "stage",
)
_UNTIMED: Final = frozenset({EventKind.DROPPED, EventKind.BUS_LOST})
"""The newest reading before one of these may be of the same instant."""
_MAX_DURATION_S: Final = to_s(TIME_MAX_NS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of the `events` stream."""

    sequence: int
    time_ns: int
    kind: EventKind
    joint: str = ""
    limit: str = ""
    severity: EventSeverity = ""
    alert: int = 0
    """Number of the alert within the recording, from 1; 0: none."""
    channel: str = ""
    value: float = math.nan
    text: str = ""
    """A readable sentence."""
    who: str = ""
    duration_s: float = math.nan
    """Of an alert that is raised: for how long its condition had held by then; that returned or was
    acknowledged: how long ago it was raised."""
    bus: int | None = None
    """Index in the bench's list of buses, of the bus that it concerns or that of its joint."""
    frame: str = ""
    """Name of the kind of frame, in the joint's layout, that reported it."""
    request: str = ""
    """Name of the request file in the inbox that became this event."""
    anchor: str = ""
    """Of a position that was found: by what (`PositionAnchor`)."""
    stage: str = ""
    """Name of the stage of the plan that it tells of."""

    @property
    def whole_value(self) -> int:
        """`value` as a count or a code; 0 where it has none, or one that is no such number."""
        return int(self.value) if abs(self.value) < 2.0**63 else 0


def headline(kind: EventKind, severity: EventSeverity) -> str:
    """Return the word that is shown before an event's sentence: "Trip", "Over", "Bus lost"."""
    if kind == EventKind.RAISED:
        return severity.capitalize()
    return "Over" if kind == EventKind.RETURNED else kind.capitalize()


def pause_ns(event: Event) -> int:
    """Return how long nothing was read before a resume or standstill, on the recording's time axis.

    Of lost frames: within how long before they were lost; 0 where that is not known.

    The pause before a resume (`duration_s`) may be longer, or unknown, where the wall clock was set
    back: there `value` is that of the axis. Older recorders gave none; their `duration_s` is.
    """
    has_axis_s = event.kind == EventKind.CONTINUED and not math.isnan(event.value)
    pause_s = event.value if has_axis_s else event.duration_s
    return 0 if math.isnan(pause_s) else to_ns(pause_s)


def recording_breaks(events: Iterable[Event], *, bus: int | None) -> list[tuple[int, int]]:
    """Return (begin, end) of spans in ns of which readings of a joint are missing, or may be.

    No recorder ran, its bus was not read and what was lost is not counted, frames were lost, or the
    bus went away: that ends with the next reading.

    Parameters
    ----------
    bus
        Of the joint, its index in the bench; None: an instrument, whose readings no recorder took.
    """
    if bus is None:
        return []
    return [
        (event.time_ns - max(pause_ns(event), 0), event.time_ns + (event.kind in _UNTIMED))
        for event in events
        if event.kind == EventKind.CONTINUED
        or (event.bus == bus and event.kind in _UNTIMED)
        # What the system kept of a standstill is stored; what it did not is an event of its own.
        or (event.bus == bus and event.kind == EventKind.STANDSTILL and event.value != 0.0)
    ]


def raised_in(events: Iterable[Event]) -> dict[int, Event]:
    """Return the events that raise alerts, by the number of the alert."""
    return {event.alert: event for event in events if event.kind == EventKind.RAISED}


def events_table(events: Iterable[Event]) -> pa.RecordBatch:
    """Return events as rows of the `events` stream; NaN and "" in nullable columns become null."""
    rows = []
    for event in events:
        row: dict[str, object] = asdict(event)
        row["time"] = row.pop("time_ns")
        row["kind"] = str(event.kind)
        for key in ("value", "duration_s"):
            if math.isnan(float(str(row[key]))):
                row[key] = None
        for key in ("frame", "request", "anchor", "stage"):
            row[key] = row[key] or None
        rows.append(row)
    return pa.RecordBatch.from_pylist(rows, schema=EVENT_SCHEMA)


def events_from(table: pa.Table) -> list[Event]:
    """Return the events of a table of the `events` stream, in sequence."""
    if table.num_rows == 0:
        return []
    # By columns: a drive whose fault chatters makes tens of thousands of them in a day.
    columns = {name: table[name] for name in table.column_names if name != "time"}
    columns["time_ns"] = table["time"].cast(pa.int64())
    values = {name: column.to_pylist() for name, column in columns.items()}
    for name, most in (("value", math.inf), ("duration_s", _MAX_DURATION_S)):
        values[name] = [
            value if value is not None and abs(value) <= most else math.nan
            for value in values[name]
        ]
    for name in _TEXTS:
        values[name] = [text or "" for text in values[name]]
    values["alert"] = [number or 0 for number in values["alert"]]
    kinds = {text: EventKind(text) for text in set(values["kind"])}
    values["kind"] = [kinds[text] for text in values["kind"]]
    names = tuple(values)
    events = [
        Event(**dict(zip(names, row, strict=True))) for row in zip(*values.values(), strict=True)
    ]
    events.sort(key=lambda event: event.sequence)
    return events
