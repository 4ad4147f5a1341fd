"""Spans by notes: what begins one, what ends it, and what is none."""

from logger.event_kind import EventKind
from logger.store.layout.events import Event
from replay.measure.noted_spans import noted_spans
from replay.measure.procedures.by_name import PROCEDURES

S = 1_000_000_000
NOTES = [
    (1 * S, "to clamp 1: moves"),
    (5 * S, "loop1: clamped fast"),
    (7 * S, "smells warm"),
    (65 * S, "to clamp 2: moves"),
    (70 * S, "loop2 : clamped fast"),
    (130 * S, "passes0-5: both ways"),
    (200 * S, "loop1: once more"),
]


def _found(kind: str, notes=NOTES, end_ns: int | None = 250 * S) -> list[tuple[str, int, int]]:
    return [
        (one.name, one.start_ns // S, one.end_ns // S)
        for one in noted_spans(
            [Event(sequence=1, time_ns=at, kind=EventKind.NOTE, text=text) for at, text in notes],
            PROCEDURES[kind],
            end_ns,
        )
    ]


def test_a_note_with_a_name_begins_a_span_and_the_next_ends_it():
    """What is only remarked in between ends nothing; a name that comes again counts once."""
    assert _found("backlash") == [("loop1", 5, 65), ("loop2", 70, 130)]
    assert _found("friction") == [("passes0-5", 130, 200)]
    assert _found("ceiling") == []


def test_a_span_may_have_any_name_where_a_reading_is_typed_at_it():
    """Levels of a scale are named as one likes: those that readings speak of are meant."""
    notes = [(5, "to up1: goes on"), (9, "up1: presses"), (12, "to up2: goes on"), (15, "up2: on")]
    events = [
        Event(sequence=1, time_ns=at * S, kind=EventKind.NOTE, text=text) for at, text in notes
    ]
    found = noted_spans(events, PROCEDURES["torque"], 20 * S, named={"up1", "up2"})
    assert [(one.name, one.start_ns // S, one.end_ns // S) for one in found] == [
        ("up1", 9, 12),
        ("up2", 15, 20),
    ]
    assert noted_spans(events, PROCEDURES["torque"], 20 * S) == ()


def test_the_last_span_ends_with_the_recording():
    """While that goes on it is still open, and not offered."""
    notes = [(5 * S, "loop1: clamped fast")]
    assert _found("backlash", notes) == [("loop1", 5, 250)]
    assert _found("backlash", notes, None) == []
    assert _found("backlash", notes, 5 * S) == []
