"""The meaning of limits: the standard's worked trace, gaps, delays, an oracle of plain loops."""

import math

import pytest

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import Limit, LimitSet
from logger.limits.limit_change import LimitChange
from tests.support.limit_traces import HOUSING, TORQUE, S, batch_of, level, silence


def run(limits: list[Limit], batch: ReadingBatch, *, hold_s=15.0, start_s=0.0, now_s=0.0):
    """Return the changes over a whole batch and the plan and state after it."""
    hold = {name: round(hold_s * S) for name in (HOUSING, TORQUE)}
    plan = plan_limits(LimitSet(limits=tuple(limits)), joint="shoulder", hold_ns=hold)
    before = initial_state(plan, start_ns=round(start_s * S))
    changes, after = evaluate(plan, before, batch, now_ns=round(now_s * S))
    return changes, plan, after


def told(changes) -> list[tuple[str, float]]:
    """Return what happened and when, in seconds."""
    return [("on" if change.kind == "raised" else "off", change.time_ns / S) for change in changes]


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({}, [("on", 10), ("off", 20), ("on", 30), ("off", 50), ("on", 80), ("off", 90)]),
        ({"drop_off": 98}, [("on", 10), ("off", 70), ("on", 80), ("off", 90)]),
        ({"drop_off": 98, "on_delay_s": 10}, [("on", 40), ("off", 70)]),
        ({"drop_off": 98, "on_delay_s": 20, "off_delay_s": 20}, []),
    ],
)
def test_worked_trace_of_alarm_management(keys, expected):
    """The rules of ISA-18.2 / IEC 62682 (read in OPC 10000-9, B.1.5) give these changes.

    Worked by code that shares nothing with this project: on at v >= limit, off at
    v <= limit - deadband, a delay counted from the first reading that qualifies.
    """
    values = [95, 101, 99.5, 102, 103, 99, 98.2, 97.9, 101, 97]
    batch = batch_of(range(0, 100, 10), **{HOUSING: values})
    assert told(run([level(above=100, **keys)], batch)[0]) == expected


def test_a_change_says_all():
    """Value, onset and peak of raising and return are those of the readings."""
    batch = batch_of(range(7), **{TORQUE: [0, -19, -21, -25, -22, -17, -16]})
    limit = level(
        name="hard",
        severity="trip",
        channel=TORQUE,
        above=18,
        drop_off=17,
        on_delay_s=1,
        off_delay_s=1,
    )
    raised, returned = run([limit], batch)[0]
    assert raised == LimitChange(
        time_ns=2 * S,
        limit="hard",
        joint="shoulder",
        severity="trip",
        channel=TORQUE,
        kind="raised",
        value=-21.0,
        onset_ns=1 * S,
        peak=-21.0,
    )
    assert (returned.kind, returned.time_ns, returned.value) == ("returned", 6 * S, -16.0)
    assert (returned.onset_ns, returned.peak) == (5 * S, -25.0)


def test_below_looks_the_other_way():
    """A limit below raises at or under it, returns at or over its drop-off, peaks at the lowest."""
    batch = batch_of(range(6), **{HOUSING: [5, 0, -3, 1, 2, 5]})
    raised, returned = run([level(below=0, drop_off=2)], batch)[0]
    assert (raised.time_ns, raised.value) == (1 * S, 0.0)
    assert (returned.time_ns, returned.peak) == (4 * S, -3.0)


def test_direction_can_be_told_apart():
    """With magnitude = false a torque limit sees one direction only."""
    batch = batch_of(range(4), **{TORQUE: [-30, 0, 20, 0]})
    limit = level(channel=TORQUE, above=18, magnitude=False)
    assert told(run([limit], batch)[0]) == [("on", 2), ("off", 3)]


@pytest.mark.parametrize("delay_s", [0, 3])
def test_a_gap_alone_changes_nothing(delay_s):
    """Neither a joint that is cold before a gap nor one that is hot before it changes within it."""
    cold = batch_of([0, 100], **{HOUSING: [20, 20]})
    hot = batch_of([*range(6), 100, 101], **{HOUSING: [80] * 8})
    limit = level(above=70, on_delay_s=delay_s, off_delay_s=delay_s)
    assert told(run([limit], cold, now_s=1000)[0]) == []
    assert told(run([limit], hot, now_s=1000)[0]) == [("on", delay_s)]


def test_a_gap_restarts_a_running_delay():
    """Hot for 3 s, a gap of 60 s, hot for 5 s: the delay of 5 s counts from behind the gap."""
    batch = batch_of([0, 1, 2, 3, 63, 64, 65, 66, 67, 68, 69], **{HOUSING: [80] * 11})
    assert told(run([level(above=70, on_delay_s=5)], batch)[0]) == [("on", 68)]


def test_a_gap_restarts_the_way_back():
    """A running off-delay starts again behind a gap, and the alert stays until it is over."""
    batch = batch_of([0, 1, 2, 3, 63, 64, 65, 66], **{HOUSING: [80, 60, 60, 60, 60, 60, 60, 60]})
    assert told(run([level(above=70, off_delay_s=3)], batch)[0]) == [("on", 0), ("off", 66)]


def test_just_the_hold_limit_is_no_gap():
    """Two values as far apart as the hold limit have no gap between them."""
    batch = batch_of([0, 15, 30], **{HOUSING: [80, 80, 80]})
    assert told(run([level(above=70, on_delay_s=30)], batch)[0]) == [("on", 30)]
    assert told(run([level(above=70, on_delay_s=30)], batch, hold_s=14.9)[0]) == []


def test_between_restarts_a_delay():
    """A reading between drop-off and pick-up is neither on nor off."""
    batch = batch_of(range(6), **{HOUSING: [80, 68, 80, 80, 80, 68]})
    limit = level(above=70, drop_off=66, on_delay_s=2)
    assert told(run([limit], batch)[0]) == [("on", 4)]


def test_rows_without_the_channel_are_passed_over():
    """Nulls neither count as readings nor break a run."""
    nan = math.nan
    batch = batch_of(range(6), **{HOUSING: [80, nan, nan, 80, nan, 60], TORQUE: [nan] * 6})
    limits = [level(above=70, on_delay_s=3), level(name="hard", channel=TORQUE, above=1)]
    assert told(run(limits, batch)[0]) == [("on", 3), ("off", 5)]
    lacking = batch_of(range(3))
    assert told(run(limits, lacking)[0]) == []


def test_silence_by_the_clock():
    """With no rows at all silence is raised once the watermark reaches the end of the wait."""
    nothing = batch_of([])
    assert told(run([silence(0.5)], nothing, start_s=10, now_s=10.49)[0]) == []
    (raised,) = run([silence(0.5)], nothing, start_s=10, now_s=10.5)[0]
    assert (raised.time_ns, raised.onset_ns, raised.value) == (round(10.5 * S), 10 * S, 0.5)
    assert raised.channel == ""


def test_silence_by_a_later_row():
    """A row that comes too late proves the silence before it and ends it; any row will do."""
    batch = batch_of([0, 0.1, 3.0, 3.1], **{HOUSING: [20, math.nan, math.nan, math.nan]})
    raised, returned = run([silence(0.5)], batch, now_s=3.2)[0]
    assert told([raised, returned]) == [("on", 0.6), ("off", 3.0)]
    assert returned.peak == pytest.approx(2.9)


def test_a_late_row_does_not_end_a_silence_before_it_began():
    """A row older than the watermark promised ends a silence at its raising at the earliest."""
    changes, plan, state = run([silence(0.5)], batch_of([0.0]), now_s=1.0)
    assert told(changes) == [("on", 0.5)]
    late, _ = evaluate(plan, state, batch_of([0.4]), now_ns=S * 8 // 10)
    assert told(late) == [("off", 0.5)]


def test_order_of_changes():
    """Changes of several limits come in order of time, of one row in order of the file."""
    limits = [level(name="b", above=70), silence(2), level(name="a", above=75)]
    batch = batch_of([0, 1, 5], **{HOUSING: [20, 72, 80]})
    changes = run(limits, batch, now_s=5)[0]
    assert [(c.limit, c.time_ns // S) for c in changes] == [
        ("b", 1),
        ("silent", 3),
        ("silent", 5),
        ("a", 5),
    ]


def test_state_says_what_is_active():
    """The limits whose condition stands are named by the state."""
    _, _, state = run([level(above=70), silence(2)], batch_of([0], **{HOUSING: [80]}), now_s=1)
    assert state.active_limits == ("hot",)
