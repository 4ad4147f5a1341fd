"""Events: alerts and their life, notes, gaps, losses; one event, one row, in one sequence.

An event is what happened and what was said of it; the state of an alert is a fold over events (see
`logger.limits.lifecycle`).
"""

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass

import pyarrow as pa

from logger.store.layout.schema import EVENT_SCHEMA

__all__ = ["Event", "events_from", "events_table", "headline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of the `events` stream."""

    sequence: int
    time_ns: int
    kind: str
    """started, continued, ended, note, raised, returned, acknowledged, shelved, unshelved, gap,
    dropped, clock step, bus lost, bus back, bus hint, position lost, strange value, fault, state,
    refused, limits taken over, limits refused, telling."""
    joint: str = ""
    limit: str = ""
    severity: str = ""
    alert: int = 0
    """Number of the alert within the recording, from 1; 0: none."""
    channel: str = ""
    value: float = math.nan
    text: str = ""
    """A readable sentence."""
    who: str = ""
    duration_s: float = math.nan
    """Of an alert that is raised: for how long its condition had stood by then."""


def headline(kind: str, severity: str) -> str:
    """Return the word that an event's sentence is led by: "Trip", "Over", "Bus lost"."""
    return {"raised": severity.capitalize(), "returned": "Over"}.get(kind, kind.capitalize())


def events_table(events: Iterable[Event]) -> pa.RecordBatch:
    """Return events as rows of the `events` stream."""
    rows = []
    for event in events:
        row: dict[str, object] = asdict(event)
        row["time"] = row.pop("time_ns")
        for key in ("value", "duration_s"):
            if math.isnan(float(str(row[key]))):
                row[key] = None
        rows.append(row)
    return pa.RecordBatch.from_pylist(rows, schema=EVENT_SCHEMA)


def events_from(table: pa.Table) -> list[Event]:
    """Return the events of a table of the `events` stream, in sequence."""
    if table.num_rows == 0:
        return []
    columns = table.set_column(
        table.schema.get_field_index("time"), "time", table["time"].cast(pa.int64())
    ).to_pylist()
    events = []
    for row in columns:
        row["time_ns"] = row.pop("time")
        for key in ("value", "duration_s"):
            row[key] = math.nan if row[key] is None else row[key]
        for key in ("joint", "limit", "severity", "channel", "text", "who"):
            row[key] = row[key] or ""
        row["alert"] = row["alert"] or 0
        events.append(Event(**row))
    events.sort(key=lambda event: event.sequence)
    return events
