"""What the recorder says of itself: lost frames once, with their number; a disk that fills up."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.limits.limit import parse_limits
from logger.limits.limit_change import LimitChange
from logger.limits.recorder import (
    DEFAULT_RECORDER_LIMITS,
    RecorderSample,
    RecorderState,
    evaluate_recorder,
    recorder_after_change,
)
from logger.limits.words import change_sentence
from tests.support.depth import examples

S = 1_000_000_000


def told(change: LimitChange) -> str:
    """Return the sentence of a change of what is always watched."""
    return change_sentence(
        change, {limit.name: limit for limit in DEFAULT_RECORDER_LIMITS}[change.limit]
    )


def _run(steps: list[tuple[int, int, float]]) -> list[tuple[str, str, int]]:
    state, said = RecorderState(), []
    for second, lost, left_h in steps:
        changes, state = evaluate_recorder(
            state, RecorderSample(now_ns=second * S, lost=lost, disk_left_h=left_h)
        )
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
    (raised,), state = evaluate_recorder(
        state, RecorderSample(now_ns=S, lost=1, disk_left_h=math.nan)
    )
    assert told(raised) == "The recorder lost 1 frame: their readings are missing."
    _, state = evaluate_recorder(state, RecorderSample(now_ns=2 * S, lost=7, disk_left_h=math.nan))
    (over,), _ = evaluate_recorder(
        state, RecorderSample(now_ns=62 * S, lost=7, disk_left_h=math.nan)
    )
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
    (raised,), state = evaluate_recorder(
        RecorderState(), RecorderSample(now_ns=0, lost=0, disk_left_h=0.5)
    )
    assert told(raised).startswith("The disk lasts for 30 min at the present rate")
    (over,), _ = evaluate_recorder(state, RecorderSample(now_ns=S, lost=0, disk_left_h=2.0))
    assert told(over) == "The disk lasts for 2.0 h again."


@settings(max_examples=examples(200))
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans(), st.floats(0, 5) | st.just(math.nan))))
def test_raised_and_returned_take_turns(steps: list[tuple[int, bool, float]]):
    """Whatever happens, each alert is raised before it returns and is not raised twice."""
    state, second, lost = RecorderState(), 0, 0
    standing: set[str] = set()
    for wait, more, left_h in steps:
        second += wait
        lost += more
        changes, state = evaluate_recorder(
            state, RecorderSample(now_ns=second * S, lost=lost, disk_left_h=left_h)
        )
        for change in changes:
            assert (change.kind == "raised") == (change.limit not in standing)
            standing ^= {change.limit}


def limits_of(*tables: str):
    """Return what a recorder watches with these limits in its file."""
    text = "".join(f'[[limit]]\nseverity = "warning"\n{table}\n' for table in tables)
    return parse_limits(f"format = 1\n{text}", "limits.toml").recorder_limits


def _kinds(limits, *seen: RecorderSample) -> list[tuple[str, str, int]]:
    state, said = RecorderState(), []
    for one in seen:
        changes, state = evaluate_recorder(state, one, limits)
        said += [(change.limit, change.kind, change.time_ns // S) for change in changes]
    return said


def test_the_load_of_a_bus_has_delays_like_any_other():
    """Above 70 % for 2 s, gone below 60 %; a load that is not known changes nothing."""
    limits = limits_of(
        'name = "full"\nkind = "bus"\nwatch = "load"\nabove = 0.7\ndrop_off = 0.6\non_delay_s = 2.0'
    )
    loads = [0.8, 0.5, 0.75, math.nan, 0.9, 0.65, 0.6]
    seen = [RecorderSample(now_ns=s * S, lost=0, load=load) for s, load in enumerate(loads)]
    assert _kinds(limits, *seen) == [("full", "raised", 4), ("full", "returned", 6)]


def test_error_frames_and_losses_can_be_set():
    """A loss limit of the file takes the place of the one that always stands."""
    limits = limits_of(
        'name = "noise"\nkind = "bus"\nwatch = "error-frames"\nabove = 10.0',
        'name = "gone"\nkind = "bus"\nwatch = "lost"\noff_delay_s = 5.0',
    )
    assert [limit.name for limit in limits] == ["disk-low", "noise", "gone"]
    seen = [
        RecorderSample(now_ns=s * S, lost=lost, error_frames=errors)
        for s, lost, errors in [(0, 0, 3), (1, 2, 10), (2, 2, 9), (5, 2, 0), (6, 2, 0)]
    ]
    assert _kinds(limits, *seen) == [
        ("noise", "raised", 1),
        ("gone", "raised", 1),
        ("noise", "returned", 2),
        ("gone", "returned", 6),
    ]


def test_unreadable_lines_can_be_set():
    """A rate of lines or frames that an adapter sent and nobody could read."""
    limits = limits_of('name = "noise"\nkind = "bus"\nwatch = "garbled"\nabove = 10.0')
    seen = [
        RecorderSample(now_ns=s * S, lost=0, garbled=count)
        for s, count in enumerate([math.nan, 3.0, 300.0, 10.0, math.nan, 0.0])
    ]
    assert _kinds(limits, *seen) == [("noise", "raised", 2), ("noise", "returned", 5)]


def test_other_limits_end_the_alerts_of_those_that_are_gone():
    """What is the same goes on; what was changed ends at that instant and begins anew."""
    before = limits_of('name = "disk"\nkind = "disk"\nbelow_h = 2.0')
    _, state = evaluate_recorder(
        RecorderState(), RecorderSample(now_ns=0, lost=4, disk_left_h=1.5), before
    )
    assert recorder_after_change(state, before, before, time_ns=S) == ([], state)
    ended, after = recorder_after_change(state, before, DEFAULT_RECORDER_LIMITS, time_ns=S)
    assert [(change.limit, change.kind) for change in ended] == [("disk", "returned")]
    assert after.losses == state.losses
    assert after.levels == {}
