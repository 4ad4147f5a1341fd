"""Readings that are held change nothing: each call gives what evaluating each batch gives."""

import dataclasses
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.limits import deferral
from logger.limits.deferral import DeferredState, evaluate_deferred, evaluate_held
from logger.limits.evaluate import (
    LimitPlan,
    evaluate_with_coverage,
    initial_state,
    plan_limits,
)
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from tests.logger.limits.kinds.test_all_kinds import (
    CHANNELS,
    CURRENT,
    HOUSING,
    KINDS,
    TORQUE,
    S,
    drawn_batch,
    drawn_hold,
    drawn_limit,
    plan_of,
)
from tests.support.depth import examples

SILENT = {"name": "silent", "kind": "silence", "severity": "warning", "after_s": 3.0}


def _drawn_plan(random, kinds: tuple[str, ...], hold) -> LimitPlan:
    limits = [drawn_limit(random, kind, f"limit-{kind}") for kind in kinds]
    for keys in limits:
        # Delays that are long beside a few readings, and levels that are seldom met.
        if random.integers(2):
            keys |= {"on_delay_s": 6.0, "off_delay_s": 9.0}
        if "above" in keys and random.integers(2):
            keys["above"] += 2.0
    if random.integers(2):
        limits.append(SILENT)
    return plan_of(limits, hold)


def _compare(plan: LimitPlan, batch: ReadingBatch, cuts: list[int]) -> tuple[int, int]:
    """Hold both ways against each other; return how many batches were held, and the changes."""
    state = initial_state(plan, start_ns=0)
    deferred = DeferredState(state=state)
    held = changes = 0
    for first, last in pairwise([0, *sorted(cuts), len(batch)]):
        part = batch.select_rows(slice(first, last))
        now_ns = int(batch.time_ns[last]) if last < len(batch) else int(batch.time_ns[-1]) + 2 * S
        expected = evaluate_with_coverage(plan, state, part, now_ns=now_ns)
        state = expected.state
        found, deferred = evaluate_deferred(plan, deferred, part, now_ns=now_ns)
        if found is None:
            held += 1
            assert expected.changes == ()
            assert expected.coverage == ()
        else:
            assert found.changes == expected.changes
            assert found.coverage == expected.coverage
        assert evaluate_held(plan, deferred) == state
        changes += len(expected.changes) + len(expected.coverage)
    return held, changes


@settings(max_examples=examples(100))
@given(
    seed=st.integers(0, 2**32),
    cuts=st.lists(st.integers(0, 90), max_size=30),
    calm_s=st.sampled_from((0.3, 1, 5, 30)),
    kinds=st.sets(st.sampled_from(KINDS), min_size=1),
)
def test_each_call_changes_the_same(*, seed: int, cuts: list[int], calm_s: float, kinds: set[str]):
    """Any limits, any rows, cut anywhere: the same changes in the same call, the same state."""
    random = np.random.default_rng(seed)
    batch, hold = drawn_batch(random, 90), drawn_hold(random)
    plan = _drawn_plan(random, tuple(sorted(kinds)), hold)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(deferral, "LONGEST_CALM_NS", round(calm_s * S))
        _compare(plan, batch, cuts)


@pytest.mark.parametrize("kind", KINDS)
def test_the_traces_are_worth_it(kind: str, monkeypatch: pytest.MonkeyPatch):
    """One limit of each kind over random traces: many batches are held, and many change it."""
    monkeypatch.setattr(deferral, "LONGEST_CALM_NS", 5 * S)
    random = np.random.default_rng(KINDS.index(kind))
    held = changes = 0
    for _ in range(40):
        batch, hold = drawn_batch(random, 90), drawn_hold(random)
        plan = _drawn_plan(random, (kind,), hold)
        more_held, more_changes = _compare(plan, batch, list(range(0, 90, 3)))
        held, changes = held + more_held, changes + more_changes
    assert held > 40
    assert changes > 15


def _by_channel(deferred: DeferredState) -> dict[str, tuple[float, float]]:
    """Return between which values a channel's readings change nothing, of those with bounds."""
    if deferred.bounds is None:
        return {}
    channels, *sides = deferred.bounds
    edges = zip(*(side[:, 0].tolist() for side in sides), strict=True)
    return dict(zip(channels, edges, strict=True))


def test_readings_at_a_bound_are_evaluated():
    """Between the bounds they are held, at either they are not; a lacking channel has no value."""
    hold = dict.fromkeys(("torque_Nm", "speed_rad_s"), S)
    plan = plan_of(
        [
            {
                "name": "t",
                "kind": "level",
                "severity": "trip",
                "channel": "torque_Nm",
                "above": 5.0,
                "on_delay_s": 9.0,
            },
            {
                "name": "s",
                "kind": "level",
                "severity": "trip",
                "channel": "speed_rad_s",
                "above": 3.0,
            },
        ],
        hold,
    )

    def batch(at_ns: int, **columns: list[float]) -> ReadingBatch:
        count = len(next(iter(columns.values())))
        return ReadingBatch(
            joint="shoulder",
            time_ns=at_ns + np.arange(count),
            position_segment=np.zeros(count, np.int32),
            columns={name: np.array(values) for name, values in columns.items()},
        )

    start = DeferredState(state=initial_state(plan, start_ns=0))
    _, calm = evaluate_deferred(plan, start, batch(0, torque_Nm=[0.0], speed_rad_s=[0.0]), now_ns=1)
    high = {channel: high for channel, (_, high) in _by_channel(calm).items()}
    assert set(high) == {"speed_rad_s"}, "within its delay the torque changes nothing"
    below, nothing = math.nextafter(high["speed_rad_s"], 0.0), math.nan
    for columns, is_held in (
        ({"torque_Nm": [9.0, nothing], "speed_rad_s": [below, nothing]}, True),
        ({"torque_Nm": [0.0, nothing], "speed_rad_s": [nothing, high["speed_rad_s"]]}, False),
        ({"torque_Nm": [9.0]}, True),
        ({"speed_rad_s": [high["speed_rad_s"]]}, False),
    ):
        evaluation, _ = evaluate_deferred(plan, calm, batch(2, **columns), now_ns=4)
        assert (evaluation is None) is is_held, columns


def _at_the_edge(random, deferred: DeferredState, at_ns: int) -> ReadingBatch:
    """Return rows as near as can be to what ends the calm: by value, and by time."""
    count = int(random.integers(1, 12))
    last_ns = deferred.until_ns - 1
    time_ns = np.sort(at_ns + (random.random(count) * (last_ns - at_ns)).astype(np.int64))
    time_ns[-1] = last_ns
    bounds = _by_channel(deferred)
    columns = {}
    for channel in CHANNELS:
        low, high = bounds.get(channel, (-math.inf, math.inf))
        if low > high:
            # Nothing is known but that without a reading nothing changes.
            columns[channel] = np.full(count, np.nan)
            continue
        low, high = max(low, -1e6), min(high, 1e6)
        near = [math.nextafter(low, math.inf), math.nextafter(high, -math.inf)]
        columns[channel] = random.choice([*near, near[int(random.integers(2))], 0.0], count)
        columns[channel] = np.clip(columns[channel], *near)
    return ReadingBatch(
        joint="shoulder",
        time_ns=time_ns,
        position_segment=np.zeros(count, np.int32),
        columns=columns,
    )


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_just_between_the_bounds_changes_nothing(
    kind: str, monkeypatch: pytest.MonkeyPatch
):
    """The worst that may be held, of a limit in any state: neither raised nor cleared by it."""
    random = np.random.default_rng(100 + KINDS.index(kind))
    tried = with_bounds = 0
    for turn in range(400):
        monkeypatch.setattr(
            deferral, "LONGEST_CALM_NS", round(float(random.choice([0.3, 1, 2, 5])) * S)
        )
        batch, hold = drawn_batch(random, 40), drawn_hold(random)
        # Calm by its delays alone, or by its values alone.
        delays = {"on_delay_s": 6.0, "off_delay_s": 9.0}
        if turn % 2 and kind != "frozen":
            delays = dict.fromkeys(delays, 0.0)
        plan = plan_of([drawn_limit(random, kind) | delays], hold)
        now_ns = int(batch.time_ns[-1])
        start = DeferredState(state=initial_state(plan, start_ns=0))
        _, deferred = evaluate_deferred(plan, start, batch, now_ns=now_ns)
        if deferred.until_ns <= now_ns + 1:
            continue
        tried, with_bounds = tried + 1, with_bounds + bool(_by_channel(deferred))
        edge = _at_the_edge(random, deferred, now_ns)
        found, _ = evaluate_deferred(plan, deferred, edge, now_ns=now_ns)
        assert found is None
        evaluation = evaluate_with_coverage(
            plan, deferred.state, edge, now_ns=deferred.until_ns - 1
        )
        assert evaluation.changes == ()
        assert evaluation.coverage == ()
    assert tried > 15
    if kind in {"level", "inverse-time", "thermal", "rate"}:
        assert with_bounds > 15


def _rows(begin_s: float, end_s: float, period_s: float = 0.01, **columns: float) -> ReadingBatch:
    time_s = 1000.0 + np.arange(begin_s, end_s, period_s)
    return ReadingBatch(
        joint="shoulder",
        time_ns=np.round(time_s * S).astype(np.int64),
        position_segment=np.zeros(len(time_s), np.int32),
        columns={name: np.full(len(time_s), value) for name, value in columns.items()},
    )


def _demo_plan() -> LimitPlan:
    bench = scenario.scenario_bench(channel="x")
    limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
    joint = bench.joints[0]
    return plan_limits(
        limits, joint=joint.name, hold_ns=bench.hold_times_ns_of(joint), rated=joint.rated
    )


QUIET = {
    "temperature_housing_degC": 40.0,
    "temperature_drive_degC": 45.0,
    "current_A": 5.0,
    "torque_Nm": 8.0,
}


def test_a_joint_at_work_is_seldom_looked_at():
    """The demo's limits, far from all levels: one evaluation in thirty batches of 0.1 s."""
    plan = _demo_plan()
    deferred = DeferredState(state=initial_state(plan, start_ns=1000 * S))
    held = 0
    for step in range(300):
        batch = _rows(step * 0.1, step * 0.1 + 0.095, **QUIET)
        found, deferred = evaluate_deferred(plan, deferred, batch, now_ns=int(batch.time_ns[-1]))
        held += found is None
    assert held >= 285


def test_a_channel_that_does_not_come_holds_up_nothing():
    """Without a temperature, what needs none is held: before it is told of and after.

    That limits are not judged, and are again with the first reading, is told by the same call.
    """
    keys = {"severity": "trip", "channel": HOUSING}
    plan = plan_of(
        [
            keys | {"name": "hot", "kind": "level", "above": 70.0, "off_delay_s": 2.0},
            keys | {"name": "heats", "kind": "rate", "rise_per_min": 8.0, "over_s": 5.0},
            keys | {"name": "strong", "kind": "level", "channel": TORQUE, "above": 10.0},
        ],
        {TORQUE: S, HOUSING: S},
    )
    state = initial_state(plan, start_ns=1000 * S)
    deferred = DeferredState(state=state)
    longest = round(max(one.not_judged_after_ns for one in plan.coverage.values()) / S * 10)
    unread_to, steps = longest + 60, longest + 200
    held, told = 0, []
    for step in range(steps):
        housing = math.nan if 20 <= step < unread_to else 40.0
        batch = _rows(step * 0.1, step * 0.1 + 0.09, 0.03, **{TORQUE: 3.0, HOUSING: housing})
        now_ns = int(batch.time_ns[-1])
        expected = evaluate_with_coverage(plan, state, batch, now_ns=now_ns)
        state = expected.state
        found, deferred = evaluate_deferred(plan, deferred, batch, now_ns=now_ns)
        held += found is None
        assert (() if found is None else found.coverage) == expected.coverage
        assert (() if found is None else found.changes) == expected.changes
        told += [(change.limit, change.kind) for change in expected.coverage]
    kinds = (EventKind.LIMIT_JUDGED_AGAIN, EventKind.LIMIT_NOT_JUDGED)
    assert sorted(told) == [(name, kind) for name in ("heats", "hot") for kind in kinds]
    assert held > 0.8 * steps


def test_a_joint_that_says_nothing_is_not_looked_at():
    """From the start, or once its silence was raised, until it says something again."""
    plan = plan_of(
        [
            SILENT | {"after_s": 2.0},
            {"name": "x", "kind": "level", "severity": "trip", "channel": TORQUE, "above": 10.0},
        ],
        {TORQUE: S},
    )
    deferred = DeferredState(state=initial_state(plan, start_ns=1000 * S))
    nothing = _rows(0.0, 0.0, **{TORQUE: 1.0})
    looked, told = 0, []
    for step in range(1, 100):
        found, deferred = evaluate_deferred(
            plan, deferred, nothing, now_ns=1000 * S + step * S // 10
        )
        looked += found is not None
        told += [] if found is None else [(one.kind, one.time_ns) for one in found.changes]
    assert told == [(EventKind.RAISED, 1002 * S)]
    assert looked == 2
    found, deferred = evaluate_deferred(
        plan, deferred, _rows(10.0, 10.095, **{TORQUE: 1.0}), now_ns=1010 * S + S // 10
    )
    assert found is not None
    assert [change.kind for change in found.changes] == [EventKind.RETURNED]


def test_a_level_is_met_in_the_call_that_holds_it():
    """Held for half a second, then beyond a level without a delay: raised by that very batch."""
    plan = plan_of(
        [{"name": "x", "kind": "level", "severity": "trip", "channel": TORQUE, "above": 10.0}],
        {TORQUE: S, HOUSING: S, CURRENT: S},
    )
    deferred = DeferredState(state=initial_state(plan, start_ns=1000 * S))
    found = []
    for step in range(8):
        torque = 12.0 if step == 6 else 3.0
        batch = _rows(step * 0.1, step * 0.1 + 0.095, **{TORQUE: torque, HOUSING: math.nan})
        evaluation, deferred = evaluate_deferred(
            plan, deferred, batch, now_ns=int(batch.time_ns[-1])
        )
        found.append(None if evaluation is None else len(evaluation.changes))
    assert found == [0, None, None, None, None, None, 1, 1]


def test_a_silence_is_met_by_the_watermark_alone():
    """Rows are held, then none come: the silence is raised when it is full, not a second later."""
    plan = plan_of([SILENT | {"after_s": 0.5}], {TORQUE: S})
    deferred = DeferredState(state=initial_state(plan, start_ns=1000 * S))
    first = _rows(0.0, 0.1, **{TORQUE: 1.0})
    _, deferred = evaluate_deferred(plan, deferred, first, now_ns=int(first.time_ns[-1]))
    second = _rows(0.1, 0.2, **{TORQUE: 1.0})
    found, deferred = evaluate_deferred(plan, deferred, second, now_ns=int(second.time_ns[-1]))
    assert found is None
    nothing = second.select_rows(slice(0, 0))
    last_ns = int(second.time_ns[-1])
    told = []
    for now_ns in (last_ns + S // 2 - 1, last_ns + S // 2):
        found, deferred = evaluate_deferred(plan, deferred, nothing, now_ns=now_ns)
        told += [] if found is None else list(found.changes)
    assert [(change.kind, change.time_ns) for change in told] == [
        (EventKind.RAISED, last_ns + S // 2)
    ]


@pytest.mark.parametrize("cut", [1, 2], ids=["before a batch", "within one"])
def test_a_silence_between_rows_is_met(cut: int):
    """Rows 0.6 s apart, where half a second is a silence: told by the batch that ends it."""
    plan = plan_of([SILENT | {"after_s": 0.5}], {TORQUE: S})
    deferred = DeferredState(state=initial_state(plan, start_ns=1000 * S))
    time_s = np.array([0.0, 0.1, 0.2, 0.8, 0.9])
    rows = dataclasses.replace(
        _rows(0.0, 0.5, 0.1, **{TORQUE: 1.0}), time_ns=1000 * S + np.round(time_s * S).astype(int)
    )
    told = []
    for begin, end in pairwise([0, 1, 4 - cut, 5]):
        part = rows.select_rows(slice(begin, end))
        found, deferred = evaluate_deferred(plan, deferred, part, now_ns=int(part.time_ns[-1]))
        told.append([] if found is None else [change.kind for change in found.changes])
    silence = [EventKind.RAISED, EventKind.RETURNED]
    assert told == [[], [], silence]


def test_rows_with_other_columns_are_evaluated_with_those_that_are_held():
    """A batch that lacks a channel has no values of it."""
    plan = _demo_plan()
    state = initial_state(plan, start_ns=1000 * S)
    deferred = DeferredState(state=state)
    lacking = {name: value for name, value in QUIET.items() if name != "torque_Nm"}
    for begin_s, columns in ((0.0, QUIET), (0.1, QUIET), (0.2, lacking), (0.3, QUIET)):
        batch = _rows(begin_s, begin_s + 0.095, **columns)
        now_ns = int(batch.time_ns[-1])
        full = dataclasses.replace(
            batch,
            columns={name: batch.columns.get(name, np.full(len(batch), np.nan)) for name in QUIET},
        )
        state = evaluate_with_coverage(plan, state, full, now_ns=now_ns).state
        _, deferred = evaluate_deferred(plan, deferred, batch, now_ns=now_ns)
        assert evaluate_held(plan, deferred) == state
