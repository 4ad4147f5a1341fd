"""Which gaps are bridged, when a limit is not judged and that it is said; for every kind."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import (
    EvaluationState,
    LimitPlan,
    after_limits_change,
    after_restart,
    evaluate,
    evaluate_with_coverage,
    initial_state,
    plan_limits,
)
from logger.limits.gaps import (
    CoverageState,
    ReceivedTime,
    bridged_ns,
    coverage_terms,
    track_coverage,
)
from logger.limits.kinds import LIMIT_KINDS, example_text
from logger.limits.limit import parse_limits
from logger.limits.scored_limit import ScoredLimit
from tests.support.depth import examples

S = 1_000_000_000
HOLD_S = 0.3
HOUSING = "temperature_housing_degC"
CHANNELS = (HOUSING, "torque_Nm", "torque_setpoint_Nm", "current_A", "voltage_V")
LIMITS = {
    "level": f'kind = "level"\nchannel = "{HOUSING}"\nabove = 50.0\non_delay_s = 20.0\n'
    "off_delay_s = 20.0",
    "outside": 'kind = "level"\nchannel = "voltage_V"\noutside = [40.0, 50.0]\non_delay_s = 20.0\n'
    "off_delay_s = 20.0",
    "inverse-time": 'kind = "inverse-time"\nchannel = "current_A"\ncurve = "C"\nsetting = 5.0\n'
    "tms = 0.5",
    "thermal": 'kind = "thermal"\nchannel = "current_A"\nbasic = 5.0\nheating_s = 30.0\n'
    "above_percent = 100.0",
    "rate": f'kind = "rate"\nchannel = "{HOUSING}"\nrise_per_min = 30.0\nover_s = 30.0',
    "tracking": 'kind = "tracking"\nchannel = "torque_Nm"\nabove = 3.0\non_delay_s = 20.0\n'
    "off_delay_s = 20.0",
    "oscillation": 'kind = "oscillation"\nchannel = "torque_Nm"\nabove = 2.0\nband_Hz = [0.5, 1.5]',
    "frozen": f'kind = "frozen"\nchannel = "{HOUSING}"\nload = "current_A"\nload_above = 3.0\n'
    "on_delay_s = 20.0",
    "touch": 'kind = "touch"\ncontact_s = 1.0\non_delay_s = 20.0\noff_delay_s = 20.0',
}


def plan_of(kind: str, *, hold_s: float = HOLD_S) -> LimitPlan:
    """Return the plan of one of the limits above."""
    text = f'format = 1\n[[limit]]\nname = "{kind}"\nseverity = "warning"\n{LIMITS[kind]}\n'
    hold_ns = dict.fromkeys(CHANNELS, round(hold_s * S))
    return plan_limits(parse_limits(text, "limits.toml"), joint="a", hold_ns=hold_ns)


def readings(kind: str, *, over: bool, start_s: float = 0.0, until_s: float = 120.0):
    """Return two minutes at 10 Hz that are beyond a limit all the time, or never."""
    t = np.arange(start_s, until_s, 0.1)
    high = 1.0 if over else 0.0
    torque = 4.0 * np.sin(2 * np.pi * t) * high if kind == "oscillation" else np.zeros(len(t))
    housing = 20 + 70 * high + (0.77 * t * high if kind == "rate" else 0)
    if kind == "frozen" and not over:
        housing = 20 + t
    return t, {
        HOUSING: housing + np.zeros(len(t)),
        "torque_Nm": torque,
        "torque_setpoint_Nm": np.full(len(t), 4.0 * high),
        "current_A": np.full(len(t), 10.0 if over or kind == "frozen" else 0.0),
        "voltage_V": np.full(len(t), 52.0 if over else 45.0),
    }


def batch_of(t: np.ndarray, columns: dict[str, np.ndarray], keep: np.ndarray) -> ReadingBatch:
    """Return rows of a joint."""
    return ReadingBatch(
        joint="a",
        time_ns=np.round(t[keep] * S).astype(np.int64),
        position_segment=np.full(int(keep.sum()), -1, np.int32),
        columns={name: values[keep] for name, values in columns.items()},
    )


def with_gaps(t: np.ndarray, gap_s: float, every_s: float) -> np.ndarray:
    """Return which readings are left by gaps of so long, again and again."""
    return (t + 1e-9) % every_s >= gap_s


def test_every_kind_of_reading_is_here():
    """A new kind on readings gets its trace above."""
    models = {type(plan_of(kind).limits[0]).__name__ for kind in LIMITS}
    kinds = {one.__name__ for one in LIMIT_KINDS if issubclass(one, ScoredLimit)}
    # Two need a joint with a model: tests/logger/limits/kinds/test_forecast.py, test_cooling.py.
    assert models == kinds - {"RatedLevel", "Forecast", "Cooling"}


@pytest.mark.parametrize("kind", LIMITS)
def test_a_short_gap_every_twenty_seconds_blinds_no_kind(kind: str):
    """Half a second without readings, of which 0.3 s hold: raised, and returned, all the same."""
    plan = plan_of(kind)
    t, columns = readings(kind, over=True)
    changes, state = evaluate(
        plan,
        initial_state(plan, start_ns=0),
        batch_of(t, columns, with_gaps(t, 0.45, 20.0)),
        now_ns=120 * S,
    )
    assert [str(change.kind) for change in changes] == ["raised"]
    t, columns = readings(kind, over=False, start_s=120.0, until_s=240.0)
    batch = batch_of(t, columns, with_gaps(t, 0.45, 20.0))
    evaluation = evaluate_with_coverage(plan, state, batch, now_ns=240 * S)
    assert [str(change.kind) for change in evaluation.changes] == ["returned"]
    assert evaluation.coverage == ()


NEVER = {
    # kind: (seconds of gap, every so many seconds): longer than what it looks over bridges
    "level": (4.0, 12.0),
    "outside": (4.0, 12.0),
    "tracking": (4.0, 12.0),
    "frozen": (4.0, 12.0),
    "touch": (4.0, 12.0),
    "rate": (6.0, 12.0),
    "oscillation": (0.5, 3.0),
    "inverse-time": (0.4, 0.5),
    "thermal": (0.4, 0.5),
}


@pytest.mark.parametrize("kind", LIMITS)
def test_what_gaps_leave_unjudged_is_said(kind: str):
    """Gaps too long for each kind, again and again: said once, and taken back when they end."""
    plan = plan_of(kind)
    gap_s, every_s = NEVER[kind]
    t, columns = readings(kind, over=True, until_s=400.0)
    keep = with_gaps(t, gap_s, every_s) | (t > 300)
    evaluation = evaluate_with_coverage(
        plan, initial_state(plan, start_ns=0), batch_of(t, columns, keep), now_ns=400 * S
    )
    assert [str(one.kind) for one in evaluation.coverage] == [
        "limit not judged",
        "limit judged again",
    ]
    lost, found = evaluation.coverage
    terms = plan.coverage[kind]
    # Told by the time in which the joint reported, of which at least a fifth is left.
    assert lost.since_ns == 0
    assert terms.not_judged_after_ns <= lost.time_ns <= 5 * terms.not_judged_after_ns + 20 * S
    assert 300 * S < found.time_ns <= 300 * S + terms.not_judged_after_ns
    if kind not in {"inverse-time", "thermal"}:
        # It could have been raised at no reading before.
        assert all(change.time_ns >= found.time_ns for change in evaluation.changes)


@pytest.mark.parametrize("kind", LIMITS)
def test_a_channel_that_falls_silent_alone_is_said(kind: str):
    """The joint reports on, without the channel: not judged. A joint that is silent: not told."""
    plan = plan_of(kind)
    needed = plan.limits[0].needed_channels[0][1]
    t, columns = readings(kind, over=False)
    columns[needed] = np.where(t < 60, columns[needed], np.nan)
    every = np.ones(len(t), bool)
    start = initial_state(plan, start_ns=0)
    told = evaluate_with_coverage(plan, start, batch_of(t, columns, every), now_ns=120 * S)
    assert [str(one.kind) for one in told.coverage] == ["limit not judged"]
    assert told.coverage[0].since_ns == pytest.approx(60 * S, abs=S)
    silent = evaluate_with_coverage(plan, start, batch_of(t, columns, t < 60), now_ns=10**6 * S)
    assert silent.coverage == ()


@pytest.mark.parametrize("kind", LIMITS)
def test_an_alert_stays_through_any_gap(kind: str):
    """However long it is: a watermark alone neither raises nor clears."""
    plan = plan_of(kind)
    t, columns = readings(kind, over=True)
    every = np.ones(len(t), bool)
    _, state = evaluate(
        plan, initial_state(plan, start_ns=0), batch_of(t, columns, every), now_ns=120 * S
    )
    assert state.active_limits == (kind,)
    nothing = batch_of(t, columns, ~every)
    changes, after = evaluate(plan, state, nothing, now_ns=10**6 * S)
    assert changes == ()
    assert after == state


@settings(max_examples=examples(120))
@given(
    kind=st.sampled_from([*LIMITS]),
    seed=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.floats(0, 1), max_size=12),
)
def test_any_chunking_gives_the_same(kind: str, seed: int, cuts: list[float]):
    """Gaps of all lengths, channels that pause by themselves, cut anywhere."""
    random = np.random.default_rng(seed)
    plan = plan_of(kind, hold_s=float(random.choice([0.15, 0.3, 2.0])))
    t, columns = readings(kind, over=bool(random.integers(2)), until_s=200.0)
    keep = with_gaps(t, random.uniform(0, 12), random.uniform(5, 40)) | (t > random.uniform(0, 300))
    for name in CHANNELS:
        if random.random() < 0.4:
            pauses = ~with_gaps(t + 7, random.uniform(0, 30), random.uniform(20, 90))
            columns[name] = np.where(pauses, np.nan, columns[name])
    batch = batch_of(t, columns, keep)
    whole = evaluate_with_coverage(plan, initial_state(plan, start_ns=0), batch, now_ns=200 * S)
    state, changes, coverage = initial_state(plan, start_ns=0), [], []
    places = sorted(int(share * len(batch)) for share in cuts)
    for first, behind in pairwise([0, *places, len(batch)]):
        part = batch.select_rows(slice(first, behind))
        now_ns = int(batch.time_ns[behind - 1]) if behind else 0
        evaluation = evaluate_with_coverage(plan, state, part, now_ns=now_ns)
        changes += evaluation.changes
        coverage += evaluation.coverage
        state = evaluation.state
    assert tuple(changes) == whole.changes
    assert tuple(coverage) == whole.coverage
    assert state == whole.state


def judged_by_loop(terms, scores, rows):
    """Return (time, judged) of each change by a plain loop over rows; `scores`: their times."""
    received, last_row = 0, None
    judged_heard, blind, told = 0, False, []
    last, begun = None, {}
    left = list(scores)
    for t in rows:
        received += 0 if last_row is None else min(t - last_row, S)
        last_row = t
        if left and left[0] == t:
            left.pop(0)
            step = 0 if last is None else t - last
            ok = not terms.of_pairs or (last is not None and step <= terms.hold_ns)
            for delay in terms.delays_ns:
                if last is None or step > bridged_ns(terms.hold_ns, delay):
                    begun[delay] = t
                ok = ok and t - begun[delay] >= delay
            last = t
            if ok:
                if blind:
                    told.append((t, True))
                judged_heard, blind = received, False
        if not blind and received - judged_heard >= terms.not_judged_after_ns:
            told.append((t, False))
            blind = True
    return told


@settings(max_examples=examples(300))
@given(seed=st.integers(0, 2**32 - 1), cut=st.floats(0, 1))
def test_judging_agrees_with_a_plain_loop(seed: int, cut: float):
    """Every time at which a limit is no longer judged, or again."""
    random = np.random.default_rng(seed)
    n = int(random.integers(1, 400))
    steps = random.choice([0.05, 0.1, 0.5, 0.9, 4.0, 30.0], n, p=[0.3, 0.3, 0.2, 0.15, 0.04, 0.01])
    rows = np.cumsum(np.round(steps * 20).astype(np.int64)) * (S // 20) + np.arange(n)
    scored = random.random(n) < random.choice([0.05, 0.5, 1.0])
    if random.integers(2):
        scored[n // 3 : 2 * n // 3] = False
    terms = coverage_terms(
        round(random.choice([0.3, 0.6]) * S),
        window_ns=0,
        delays_ns=tuple(round(one * S) for one in random.choice([0, 2, 5], 2)),
        of_pairs=bool(random.integers(2)),
    )
    if len(set(terms.delays_ns)) < len(terms.delays_ns):
        return
    place = int(cut * n)
    state, told, received_ns, last_row = CoverageState(0), [], 0, None
    for part in (slice(0, place), slice(place, n)):
        received = ReceivedTime(rows[part], last_row, received_ns, longest_hold_ns=0)
        where = np.flatnonzero(scored[part])
        steps_found, state = track_coverage(terms, state, rows[part][where], where, received)
        told += [(one.time_ns, one.judged) for one in steps_found]
        if len(rows[part]):
            received_ns, last_row = received.total_ns, int(rows[part][-1])
    assert told == judged_by_loop(terms, rows[scored].tolist(), rows.tolist())


def test_a_restart_and_other_limits_begin_to_count_again():
    """What was not judged before is no matter of what begins now."""
    plan = plan_of("level")
    t, columns = readings("level", over=False)
    columns[HOUSING] = np.full(len(t), math.nan)
    every = np.ones(len(t), bool)
    state = evaluate_with_coverage(
        plan, initial_state(plan, start_ns=0), batch_of(t, columns, every), now_ns=120 * S
    ).state
    assert state.judged["level"].blind
    resumed = after_restart(plan, state, time_ns=200 * S)
    assert resumed.judged["level"] == CoverageState(200 * S)
    other = plan_of("touch")
    _, changed = after_limits_change(plan, state, other, time_ns=130 * S)
    assert changed.judged["touch"] == CoverageState(130 * S, state.received_ns)
    t, columns = readings("touch", over=False, start_s=130.0, until_s=138.0)
    columns[HOUSING] = np.full(len(t), math.nan)
    batch = batch_of(t, columns, np.ones(len(t), bool))
    assert evaluate_with_coverage(other, changed, batch, now_ns=138 * S).coverage == ()


def test_positions_of_two_segments_are_no_rise():
    """A new segment has another zero: a bridged gap does not hide the step between them."""
    text = (
        'format = 1\n[[limit]]\nname = "x"\nkind = "rate"\nseverity = "warning"\n'
        'channel = "position_rad"\nrise_per_min = 1.0\nover_s = 10.0\n'
    )
    plan = plan_limits(
        parse_limits(text, "limits.toml"), joint="a", hold_ns={"position_rad": 3 * S // 10}
    )
    t = np.arange(0, 60, 0.1)
    later = t >= 30
    batch = ReadingBatch(
        joint="a",
        time_ns=np.round(t * S).astype(np.int64),
        position_segment=later.astype(np.int32),
        columns={"position_rad": np.where(later, 5.0, 0.0)},
    )
    for cut in (len(t), 300, 299, 310):
        state: EvaluationState = initial_state(plan, start_ns=0)
        for part in (slice(0, cut), slice(cut, None)):
            changes, state = evaluate(plan, state, batch.select_rows(part), now_ns=0)
            assert changes == ()


def test_every_kind_says_beforehand_when_it_is_not_judged():
    """The example's limits with a window, a delay or an integral name their condition."""
    hold_ns = dict.fromkeys(
        [*CHANNELS, "position_rad", "position_setpoint_rad", "temperature_ambient_degC"],
        3 * S // 10,
    )
    said = {
        limit.name: limit.not_judged_condition(hold_ns)
        for limit in parse_limits(example_text(), "example.toml").limits
        if isinstance(limit, ScoredLimit)
    }
    assert said["heats-fast"] == "while the housing has gaps longer than 7.5 s in every 60 s"
    assert said["supply"] == ""
    assert said["overload"] == "while the current has gaps longer than 0.3 s before each reading"
    assert "longer than 0.625 s in every 5 s" in said["housing-warm"]
    assert said["shaking"].endswith("or fewer than 48 readings a second")
    assert "longer than 75 s in every 10 min" in said["housing-frozen"]
