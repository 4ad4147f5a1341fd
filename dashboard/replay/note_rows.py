"""The notes of a recording, as Replay lists them: when, what, by whom, and if they came afterwards.

A note that was written after the end of its recording has no place on the traces unless it says
which time it tells of; it is listed all the same. Pure.
"""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any, Final

from dashboard.text.format import format_date_time, format_duration, format_elapsed
from logger.event_kind import EventKind
from logger.store.layout.events import Event

__all__ = ["MAX_NOTES", "note_rows"]

MAX_NOTES: Final = 200
"""Notes that are listed: the newest."""


def note_rows(
    events: Sequence[Event], start_ns: int, end_ns: int, zone: tzinfo
) -> list[dict[str, Any]]:
    """Return a row for each note, in order of time.

    Its place in s since the start stands in `at_s`, None for one outside of [start_ns, end_ns].
    """
    notes = [event for event in events if event.kind == EventKind.NOTE][-MAX_NOTES:]
    notes.sort(key=lambda event: event.time_ns)
    return [_note_row(event, start_ns, end_ns, zone) for event in notes]


def _note_row(event: Event, start_ns: int, end_ns: int, zone: tzinfo) -> dict[str, Any]:
    is_within = start_ns <= event.time_ns <= end_ns
    at_s = (event.time_ns - start_ns) / 1e9
    remarks = [event.who] if event.who else []
    if not is_within:
        remarks.append("written after the end" if event.time_ns > end_ns else "before the start")
    elif event.duration_s > 0:
        remarks.append(f"written {format_duration(event.duration_s)} later")
    return {
        "at_s": at_s if is_within else None,
        "at": format_elapsed(at_s) if is_within else format_date_time(event.time_ns, zone),
        "text": event.text,
        "remark": ", ".join(remarks),
    }
