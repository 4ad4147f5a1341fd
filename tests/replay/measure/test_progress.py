"""How far a measurement has come, told from what was typed and marked."""

import pytest

from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.progress import next_span_name, step_progress, steps_of_way


def _now(kind: str, way: str = "", readings=(), spans=()) -> list[str]:
    progress = step_progress(PROCEDURES[kind], way=way, readings=readings, spans=spans)
    return [one.step.code for one in progress if one.is_now]


def test_what_nothing_shows_is_done_together_with_the_step_behind_it():
    """Holding the motor cannot be seen; the arm that is typed behind it can."""
    assert _now("backlash", "tip") == ["hold motor", "arm"]
    assert _now("backlash", "tip", readings=["arm"]) == ["both ways"]


def test_a_step_is_done_by_its_count():
    """Four loops are four positions; a fifth at half the rate ends it."""
    spans = [f"loop{number}" for number in range(1, 5)]
    assert _now("backlash", "loop", spans=spans[:1]) == ["four positions"]
    assert _now("backlash", "loop", spans=spans) == ["half rate"]
    assert _now("backlash", "loop", spans=[*spans, "loop5"]) == []


def test_what_is_missing_counts_from_the_step_before():
    """Of five loops the first is the ramp's, three the positions', one that of half the rate."""
    progress = step_progress(PROCEDURES["backlash"], way="loop")
    assert [one.missing for one in progress] == [0, 1, 3, 1]
    two = step_progress(PROCEDURES["backlash"], way="loop", spans=["loop1", "loop2"])
    assert [one.missing for one in two] == [0, 0, 2, 1]


def test_what_was_done_out_of_order_leaves_the_step_before_open():
    """A scale that was read before the arm was measured does not stand for the arm."""
    progress = step_progress(PROCEDURES["torque"], readings=["scale"])
    assert {one.step.code: one.is_done for one in progress} == {
        "tare": True, "level": False, "eight up and down": False, "nudge": False,
    }  # fmt: skip
    assert [one.step.code for one in progress if one.is_now] == ["level"]


def test_any_name_counts_where_any_may_be_typed():
    """Three readings of a mass are what a value takes."""
    assert _now("value", readings=["mass", "mass"]) == ["read off"]
    assert _now("value", readings=["mass", "mass", "mass"]) == []


@pytest.mark.parametrize("kind", PROCEDURES)
def test_every_step_names_what_its_kind_knows(kind: str):
    """Ways, readings and spans of steps are those of the procedure; something shows the end."""
    procedure = PROCEDURES[kind]
    readings = {one.name for one in procedure.readings}
    spans = {one.name for one in procedure.spans}
    ways = [one.code for one in procedure.ways] or [""]
    for step in procedure.steps:
        assert set(step.readings) <= readings
        assert set(step.spans) <= spans or "*" in spans
        assert step.way in {"", *ways}
        assert bool(step.wants) == bool(step.readings or step.spans)
    for way in ways:
        assert any(step.wants for step in steps_of_way(procedure, way))


def test_spans_are_numbered_by_what_is_free():
    """One that was taken back leaves its number."""
    assert next_span_name("loop", []) == "loop1"
    assert next_span_name("loop", ["loop1", "loop3"]) == "loop2"
