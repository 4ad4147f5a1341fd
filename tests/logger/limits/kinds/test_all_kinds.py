"""Every kind of limit agrees with plain loops, and with itself in any chunking."""

import json
import math
import pickle
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import EvaluationState, evaluate, initial_state, plan_limits
from logger.limits.kinds import inverse_time
from logger.limits.limit import LimitSet, parse_limits
from logger.limits.limit_change import LimitChange
from tests.support.depth import examples
from tests.support.limit_oracle import scores_of, told_by_oracle

S = 1_000_000_000
HOUSING, AMBIENT = "temperature_housing_degC", "temperature_ambient_degC"
TORQUE, SETPOINT, CURRENT = "torque_Nm", "torque_setpoint_Nm", "current_A"
CHANNELS = (HOUSING, AMBIENT, TORQUE, SETPOINT, CURRENT)
KINDS = ("level", "outside", "inverse-time", "thermal", "rate", "tracking", "frozen", "touch")


def _choice(random, *items):
    return items[int(random.integers(len(items)))]


def drawn_limit(random, kind: str, name: str = "limit") -> dict:
    """Return a limit as a file holds it, small enough to meet what it says often."""
    keys = {
        "name": name,
        "kind": kind,
        "severity": "warning",
        "on_delay_s": float(_choice(random, 0, 0, 1, 2, 3)),
        "off_delay_s": float(_choice(random, 0, 0, 1, 2, 3)),
    }
    if kind == "level":
        above, magnitude = float(random.integers(0, 4)), bool(random.integers(2))
        drop_off = max(above - float(random.integers(0, 3)), 0.0)
        side = {"above": above, "drop_off": drop_off}
        if random.integers(2):
            side = {"below": above, "drop_off": above + float(random.integers(0, 3))}
        return {**keys, "channel": TORQUE, "magnitude": magnitude, **side}
    if kind == "outside":
        keys |= {"kind": "level", "channel": TORQUE, "magnitude": bool(random.integers(2))}
        lowest = float(random.integers(0 if keys["magnitude"] else -3, 1))
        keys["outside"] = [lowest, float(random.integers(2, 4))]
        return keys | ({"inside": [1.0, 1.5]} if random.integers(2) else {})
    if kind == "inverse-time":
        reset = _choice(random, "instant", "held", "dependent")
        keys |= {"channel": CURRENT, "setting": float(_choice(random, 1, 1.5)), "reset": reset}
        keys["curve"] = _choice(random, *("DEF" if reset == "dependent" else "ABCDEF"))
        keys["tms"] = float(_choice(random, 0.01, 0.1, 0.3))
        keys["from_multiple"] = float(_choice(random, 1.0, 1.1, 1.5))
        keys["flat_above"] = float(_choice(random, 2, 20))
        return keys | {"drop_off": float(_choice(random, 0.5, 0.95, 1.0))}
    if kind == "thermal":
        keys |= {"channel": CURRENT, "basic": 1.5, "k": float(_choice(random, 1.0, 1.1))}
        keys |= {"heating_s": float(_choice(random, 1, 5, 20))}
        if random.integers(2):
            keys["cooling_s"] = float(_choice(random, 1, 10, 40))
        if random.integers(2):
            keys["most_degC"] = float(_choice(random, 42, 60, 155))
        above = float(_choice(random, 60, 100))
        return keys | {"above_percent": above, "drop_off_percent": above - 10}
    if kind == "rate":
        rise = float(_choice(random, 5, 20, 60))
        keys |= {"channel": HOUSING, "rise_per_min": rise, "over_s": float(_choice(random, 3, 8))}
        return keys | {"drop_off_per_min": rise - float(_choice(random, 0, 5))}
    if kind == "tracking":
        above = float(_choice(random, 1, 2, 3))
        return {**keys, "channel": TORQUE, "above": above, "drop_off": above / 2}
    if kind == "frozen":
        keys |= {"channel": HOUSING, "load": CURRENT, "load_above": float(_choice(random, 1, 2))}
        keys |= {"within": float(_choice(random, 0, 0.5, 1, 3)), "on_delay_s": 3.0}
        return keys | ({"smoothing_s": 4.0} if random.integers(2) else {})
    return {**keys, "contact_s": 60.0, "above": 2.0, "drop_off": 1.0}


def drawn_batch(random, count: int) -> ReadingBatch:
    """Return rows with equal times, gaps and nulls, and values that cross often or seldom."""
    time_s = 1000 + np.cumsum(random.choice([0, 0.25, 0.5, 0.5, 1, 1, 4], count))
    columns = {}
    for place, channel in enumerate(CHANNELS):
        steps = random.normal(0, _choice(random, 0.3, 1.0), count)
        walk = np.round(np.cumsum(steps) * (random.random(count) < 0.8), int(random.integers(0, 3)))
        if random.integers(2):
            walk = np.clip(walk, -4, 4)
        if channel == AMBIENT:
            walk = walk + 40
        walk[random.random(count) < _choice(random, 0, 0.2, 0.7)] = math.nan
        if random.random() < 0.2:
            stays = slice(count // 4, 3 * count // 4)
            walk[stays] = place
        columns[channel] = walk + 0.0
    return ReadingBatch(
        joint="shoulder",
        time_ns=np.round(time_s * S).astype(np.int64),
        position_segment=np.zeros(count, np.int32),
        columns=columns,
    )


def drawn_hold(random) -> dict[str, int]:
    """Return how long the values of each channel hold."""
    return {name: round(_choice(random, 0.6, 1, 2, 3) * S) for name in CHANNELS}


def toml(keys: dict) -> str:
    """Return a limits file with that one limit."""
    return "format = 1\n[[limit]]\n" + "".join(
        f"{key} = {json.dumps(value)}\n" for key, value in keys.items()
    )


def plan_of(limits: list[dict], hold):
    """Return the plan of limits as a file holds them, one channel set for all."""
    found = [parse_limits(toml(keys), "limits.toml").limits[0] for keys in limits]
    return plan_limits(LimitSet(limits=tuple(found)), joint="shoulder", hold_ns=hold)


def rows_of(batch: ReadingBatch) -> list[tuple[int, dict[str, float]]]:
    """Return a batch as the oracle reads it."""
    return [
        (int(t), {name: float(values[row]) for name, values in batch.columns.items()})
        for row, t in enumerate(batch.time_ns)
    ]


def near_a_tie(keys: dict, rows, hold) -> bool:
    """Whether a score lies so near to a threshold that rounding decides."""
    if keys["kind"] == "thermal":
        edges = (keys["above_percent"] / 100, keys["drop_off_percent"] / 100)
        told = [one[2] for one in scores_of(keys, rows, hold)]
    elif keys["kind"] == "rate":
        edges = (keys["rise_per_min"], keys["drop_off_per_min"])
        told = [one[2] for one in scores_of(keys, rows, hold)]
    else:
        return False
    return any(0 < abs(one - edge) < 1e-9 for one in told for edge in edges)


def agrees(keys: dict, batch: ReadingBatch, hold) -> int:
    """Hold one limit over one trace against the oracle; return how many changes there were."""
    rows = rows_of(batch)
    if near_a_tie(keys, rows, hold):
        return 0
    plan = plan_of([keys], hold)
    end_ns = int(batch.time_ns[-1]) if len(batch) else 0
    changes, _ = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=end_ns)
    expected = told_by_oracle(keys, rows, hold)
    found = [(c.time_ns, c.kind, c.onset_ns) for c in changes]
    assert found == [(t, kind, onset) for t, kind, _, onset, _ in expected], keys
    values = [(c.value, c.peak) for c in changes]
    np.testing.assert_allclose(
        values, [(told, worst) for _, _, told, _, worst in expected], rtol=1e-9, atol=1e-12
    )
    return len(changes)


@pytest.mark.parametrize("kind", KINDS)
def test_agrees_with_plain_loops(kind: str):
    """300 random traces a kind: every change is the oracle's, to the last alert."""
    random = np.random.default_rng(KINDS.index(kind))
    changes = 0
    for _ in range(300):
        keys = drawn_limit(random, kind)
        changes += agrees(
            keys, drawn_batch(random, int(random.integers(0, 120))), drawn_hold(random)
        )
    assert changes > 60, "the traces are worth it"


@pytest.mark.slow
def test_ten_thousand_random_traces_agree():
    """10,000 random traces, each with a limit of every kind: no difference to the oracle."""
    random = np.random.default_rng(60255)
    for _ in range(10_000):
        batch, hold = drawn_batch(random, int(random.integers(20, 80))), drawn_hold(random)
        for kind in KINDS:
            agrees(drawn_limit(random, kind), batch, hold)


@settings(max_examples=examples(150))
@given(
    seed=st.integers(0, 2**32), cuts=st.lists(st.integers(0, 90), max_size=8), kept=st.booleans()
)
def test_any_chunking_gives_the_same(*, seed: int, cuts: list[int], kept: bool):
    """All kinds at once, cut anywhere, kept as content: the same bits and the same state."""
    random = np.random.default_rng(seed)
    batch, hold = drawn_batch(random, 90), drawn_hold(random)
    plan = plan_of([drawn_limit(random, kind, f"limit-{kind}") for kind in KINDS], hold)
    end_ns = int(batch.time_ns[-1])
    whole, end = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=end_ns)
    state: EvaluationState = initial_state(plan, start_ns=0)
    parts: list[LimitChange] = []
    for first, last in pairwise([0, *sorted(cuts), 90]):
        now_ns = int(batch.time_ns[last - 1]) if last else 0
        changes, state = evaluate(plan, state, batch.select_rows(slice(first, last)), now_ns=now_ns)
        parts += changes
        if kept:
            state = pickle.loads(pickle.dumps(state))
    assert tuple(parts) == whole
    assert state == end


@pytest.mark.parametrize("kind", KINDS)
def test_a_gap_neither_raises_nor_clears(kind: str):
    """A watermark alone, however late, changes nothing that readings drive."""
    random = np.random.default_rng(7)
    for _ in range(20):
        batch, hold = drawn_batch(random, 60), drawn_hold(random)
        plan = plan_of([drawn_limit(random, kind)], hold)
        end_ns = int(batch.time_ns[-1])
        _, state = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=end_ns)
        nothing = batch.select_rows(slice(0, 0))
        changes, after = evaluate(plan, state, nothing, now_ns=end_ns + 10**15)
        assert changes == ()
        assert after == state


@pytest.mark.parametrize("kind", KINDS)
def test_a_long_trace_agrees(kind: str):
    """Thousands of readings, some traces: blocks, stretches and remembered marks by the hundred."""
    random = np.random.default_rng(20_000)
    keys = drawn_limit(random, kind)
    if kind == "thermal":
        keys |= {"heating_s": 40.0}
    if kind != "frozen":
        keys |= {"on_delay_s": 0.0}
    if kind == "rate":
        keys |= {"over_s": 20.0}
    hold = dict.fromkeys(CHANNELS, 9 * S)
    # The oracle looks back over a window again and again.
    count = 4_000 if kind == "rate" else 10_000
    assert sum(agrees(keys, drawn_batch(random, count), hold) for _ in range(4)) > 0


@pytest.mark.parametrize("short", [0, 10**9], ids=["by stretches", "one by one"])
def test_both_ways_to_integrate_are_one(monkeypatch: pytest.MonkeyPatch, short: int):
    """Readings taken by stretches and one by one give what plain loops give."""
    monkeypatch.setattr(inverse_time, "_SHORT", short)
    random = np.random.default_rng(151)
    changes = sum(
        agrees(drawn_limit(random, "inverse-time"), drawn_batch(random, 80), drawn_hold(random))
        for _ in range(200)
    )
    assert changes > 50


def over(keys: dict, time_s, **columns):
    """Return the changes, told and when in s, and the state over readings that hold for 2 s."""
    time_ns = np.round(np.asarray(time_s, np.float64) * S).astype(np.int64)
    batch = ReadingBatch(
        joint="shoulder",
        time_ns=time_ns,
        position_segment=np.zeros(len(time_ns), np.int32),
        columns={name: np.array(values, np.float64) for name, values in columns.items()},
    )
    plan = plan_of([{"name": "x", "severity": "trip", **keys}], dict.fromkeys(CHANNELS, 2 * S))
    changes, state = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=int(time_ns[-1]))
    return [(change.kind, change.time_ns / S) for change in changes], state


def test_over_a_gap_an_integral_stands_still():
    """Of a gap of 100 s only the hold of 2 s counts: 3 s of overload, and not 101."""
    keys = {"kind": "inverse-time", "channel": CURRENT, "curve": "B", "setting": 1.0}
    said, state = over(keys, [0, 1, 101], **{CURRENT: [2, 2, 2]})
    assert said == []
    # Curve B at twice the setting: 13.5 s (IEC 60255-151, second-hand).
    assert state.memories["x"].integral == pytest.approx(3 / 13.5)
    keys = {"kind": "thermal", "channel": CURRENT, "basic": 1.0, "k": 1.0, "heating_s": 10.0}
    for current, after_3_s in ((2.0, 4 * (1 - math.exp(-0.3))), (0.0, 0.0)):
        _, state = over(keys, [0, 1, 101], **{CURRENT: [current] * 3})
        assert state.memories["x"].level == pytest.approx(after_3_s)


def test_a_trip_by_a_full_integral_stays_over_a_gap():
    """An alert stays through a gap; the reading lags it decides."""
    keys = {"kind": "inverse-time", "channel": CURRENT, "curve": "B", "setting": 1.0}
    times = [*range(0, 20), 500, 501]
    high = [2.0] * 20
    assert over(keys, times, **{CURRENT: [*high, 2.0, 2.0]})[0] == [("raised", 14.0)]
    said, _ = over(keys, times, **{CURRENT: [*high, 0.5, 0.5]})
    assert said == [("raised", 14.0), ("returned", 500.0)]


def test_no_rate_is_told_across_a_gap():
    """60 K higher behind a gap is no rise; an alert from before it stays until a window is full."""
    keys = {"kind": "rate", "channel": HOUSING, "rise_per_min": 60.0, "over_s": 4.0}
    cold, warm = [20.0] * 10, [80.0] * 10
    assert over(keys, [*range(10), *range(100, 110)], **{HOUSING: cold + warm})[0] == []
    rising = [20.0 + 2 * t for t in range(10)]
    said, _ = over(keys, [*range(10), *range(100, 110)], **{HOUSING: rising + warm})
    assert said == [("raised", 4.0), ("returned", 104.0)]


def test_no_error_while_a_set_point_is_missing():
    """Set-points that stop leave no error: a running delay is broken off, an alert stays."""
    keys = {"kind": "tracking", "channel": TORQUE, "above": 5.0, "on_delay_s": 3.0}
    times, torque = range(12), [0.0] * 12
    some = [9.0, *[math.nan] * 7, *[9.0] * 4]
    assert over(keys, times, **{TORQUE: torque, SETPOINT: some})[0] == [("raised", 11.0)]
    some = [9.0] * 4 + [math.nan] * 8
    assert over(keys, times, **{TORQUE: torque, SETPOINT: some})[0] == [("raised", 3.0)]


@pytest.mark.parametrize(("again_s", "raised_s"), [(3.0, 4.0), (4.0, 4.0), (4.5, 8.5)])
def test_a_set_point_that_pauses_for_long_starts_a_delay_again(again_s: float, raised_s: float):
    """It holds for 2 s: what counts is for how long there was no error, 2 s of it or more."""
    keys = {"kind": "tracking", "channel": TORQUE, "above": 5.0, "on_delay_s": 4.0}
    times = np.arange(0, 12, 0.5)
    some = np.where((times < 0.5) | (times >= again_s), 9.0, np.nan)
    said, _ = over(keys, times, **{TORQUE: np.zeros(len(times)), SETPOINT: some})
    assert said == [("raised", raised_s)]


def test_no_current_is_too_large_for_an_image():
    """What overflows a square still warms, and the image stays a number."""
    keys = {"kind": "thermal", "channel": CURRENT, "basic": 1.0, "heating_s": 60.0}
    said, state = over(keys, [0, 0, 1, 2], **{CURRENT: [1e200, 1e200, 1.0, 1.0]})
    assert said == [("raised", 1.0)]
    assert math.isfinite(state.memories["x"].level)


def test_two_levels_of_a_torque_tell_its_directions_apart():
    """-7 lies between -10 and 5: of `outside` the sign counts, where of `above` it does not."""
    keys = {"kind": "level", "channel": TORQUE, "outside": [-10.0, 5.0]}
    times, torque = [0, 1, 2], [-7.0, -11.0, -7.0]
    said, _ = over(keys, times, **{TORQUE: torque})
    assert said == [("raised", 1.0), ("returned", 2.0)]


def test_a_frozen_reading_thaws_only_by_moving():
    """Rest breaks a wait off and ends no alert; a reading that moves does, also behind a gap."""
    keys = {"kind": "frozen", "channel": HOUSING, "load": CURRENT, "load_above": 5.0}
    keys |= {"on_delay_s": 3.0}
    load = [9.0, 9, 9, 9, 0, 0, 0, 0]
    same = [40.0] * 8
    assert over(keys, range(8), **{HOUSING: same, CURRENT: load})[0] == [("raised", 3.0)]
    broken = [9.0, 9, 0, 9, 9, 9, 0, 0]
    assert over(keys, range(8), **{HOUSING: same, CURRENT: broken})[0] == []
    moved = [*[40.0] * 7, 41.0]
    times = [*range(7), 100]
    said, _ = over(keys, times, **{HOUSING: moved, CURRENT: load})
    assert said == [("raised", 3.0), ("returned", 100.0)]
