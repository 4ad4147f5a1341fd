"""Spans that notes name, held against what the steps of a kind take."""

from logger.event_kind import EventKind
from logger.store.layout.events import Event
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.readiness.needed import needed_text
from replay.measure.readiness.noted_needed import needed_spans

S = 1_000_000_000


def _noted(kind: str, *marks: tuple[int, str]):
    notes = [
        Event(sequence=1, time_ns=at * S, kind=EventKind.NOTE, text=text) for at, text in marks
    ]
    return list(needed_spans(PROCEDURES[kind], notes, None))


def test_loops_by_notes():
    """Two of five loops, each a minute: three more take three."""
    found = _noted("backlash", (0, "loop1: up"), (60, "loop2: up"), (120, "to clamp 3: moves"))
    assert [(one.have, one.wants, round(one.left_s)) for one in found] == [(2, 5, 180)]
    assert needed_text(found[0]) == "3 more spans named loop, about 3.0 min"


def test_one_more_is_one():
    """Four of five."""
    marks = [(60 * n, f"loop{n}: up") for n in range(1, 5)]
    (found,) = _noted("backlash", *marks, (300, "x: y"))
    assert needed_text(found).startswith("1 more span named loop, about 60 s")


def test_what_takes_readings_as_well_is_not_judged_by_spans():
    """Turns need what was counted at the mark; no note, nothing begun."""
    assert not _noted("turns", (0, "out: five turns"), (20, "back: five turns"), (40, "x: y"))
    assert not _noted("backlash", (0, "warm: smells"))
