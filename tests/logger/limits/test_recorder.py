"""What the recorder says of itself: lost frames once, with their number; a disk that fills up."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.limits.recorder import RecorderState, told, watch

S = 1_000_000_000


def _run(steps: list[tuple[int, int, float]]) -> list[tuple[str, str, int]]:
    state, said = RecorderState(), []
    for second, lost, left_h in steps:
        changes, state = watch(state, now_ns=second * S, lost=lost, disk_left_h=left_h)
        said += [(change.limit, change.kind, change.time_ns // S) for change in changes]
    return said


def test_a_loss_is_one_alert_until_a_minute_has_passed_without():
    """Frames that are lost again and again do not chatter."""
    lost = [0, 0, 5, 5, 9] + [9] * 58 + [9, 9, 9, 20]
    said = _run([(second, count, math.nan) for second, count in enumerate(lost)])
    assert said == [
        ("frames-lost", "raised", 2),
        ("frames-lost", "returned", 64),
        ("frames-lost", "raised", 66),
    ]


def test_the_sentence_tells_how_many():
    """Raised with what was lost by then, returned with all of it."""
    state = RecorderState()
    (raised,), state = watch(state, now_ns=S, lost=1, disk_left_h=math.nan)
    assert told(raised) == "The recorder lost 1 frame: what a joint said meanwhile is missing."
    _, state = watch(state, now_ns=2 * S, lost=7, disk_left_h=math.nan)
    (over,), _ = watch(state, now_ns=62 * S, lost=7, disk_left_h=math.nan)
    assert told(over) == "No frame was lost for 60 s; 7 frames had been."


def test_a_disk_below_an_hour_is_foreseen():
    """Raised below one hour, over above one and a quarter; not known says nothing."""
    hours = [math.nan, 3.0, 0.9, math.nan, 0.5, 1.1, 1.3, 0.99]
    said = _run([(second, 0, left) for second, left in enumerate(hours)])
    assert said == [
        ("disk-low", "raised", 2),
        ("disk-low", "returned", 6),
        ("disk-low", "raised", 7),
    ]
    (raised,), state = watch(RecorderState(), now_ns=0, lost=0, disk_left_h=0.5)
    assert told(raised).startswith("The disk lasts for 30 min at the present rate")
    (over,), _ = watch(state, now_ns=S, lost=0, disk_left_h=2.0)
    assert told(over) == "The disk lasts for 2.0 h again."


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans(), st.floats(0, 5) | st.just(math.nan))))
def test_raised_and_returned_take_turns(steps: list[tuple[int, bool, float]]):
    """Whatever happens, each alert is raised before it returns and is not raised twice."""
    state, second, lost = RecorderState(), 0, 0
    standing: set[str] = set()
    for wait, more, left_h in steps:
        second += wait
        lost += more
        changes, state = watch(state, now_ns=second * S, lost=lost, disk_left_h=left_h)
        for change in changes:
            assert (change.kind == "raised") == (change.limit not in standing)
            standing ^= {change.limit}
