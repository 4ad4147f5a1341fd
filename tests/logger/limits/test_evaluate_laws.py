"""Limits evaluated over drawn traces equal plain loops, in any chunking, and are fast."""

import math
import pickle
import time
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import EvaluationState, evaluate, initial_state, plan_limits
from logger.limits.kinds.level import Level
from logger.limits.kinds.silence import Silence
from logger.limits.limit import Limit, LimitSet
from logger.limits.limit_change import LimitChange
from tests.support.depth import examples
from tests.support.limit_traces import HOUSING, TORQUE, S, batch_of, level, silence


@dataclass
class Watch:
    """What the oracle remembers of one limit."""

    active: bool = False
    previous: int | None = None
    since: int | None = None
    worst: float | None = None
    towards: float | None = None


def worse(limit: Level, one: float, other: float | None) -> float:
    """Return the worse of two readings, the other one when they are equal."""
    if other is None:
        return one
    left, right = (abs(one), abs(other)) if limit.magnitude else (one, other)
    return one if (left > right if limit.above is not None else left < right) else other


def look(limit: Level, watch: Watch, t: int, v: float, hold: int) -> tuple | None:
    """Take one reading in; return the change that it makes."""
    size = abs(v) if limit.magnitude else v
    drop = limit.drop_off if limit.drop_off is not None else limit.pick_up
    if limit.above is not None:
        on, off = size >= limit.above, size <= drop
    else:
        on, off = size <= limit.below, size >= drop
    off = off and not on
    if watch.previous is not None and t - watch.previous > hold:
        watch.since = watch.towards = None
    watch.previous = t
    if watch.active:
        watch.worst = worse(limit, v, watch.worst)
    if not (off if watch.active else on):
        watch.since = watch.towards = None
        return None
    if watch.since is None:
        watch.since = t
    if not watch.active:
        watch.towards = worse(limit, v, watch.towards)
    delay = round((limit.off_delay_s if watch.active else limit.on_delay_s) * S)
    if t - watch.since < delay:
        return None
    if not watch.active:
        watch.worst = watch.towards
    watch.active = not watch.active
    kind = "raised" if watch.active else "returned"
    change = (t, limit.name, kind, v, watch.since, watch.worst)
    watch.since = watch.towards = None
    return change


def oracle(limits, batch: ReadingBatch, hold, start_ns: int, now_ns: int) -> list[tuple]:
    """Return all changes, row by row and limit by limit."""
    watches = [Watch() for _ in limits]
    heard = start_ns
    out = []

    def wait_until(end: int) -> None:
        fell_silent = []
        for limit, watch in zip(limits, watches, strict=True):
            if isinstance(limit, Silence) and not watch.active:
                due = heard + round(limit.after_s * S)
                if due <= end:
                    watch.active = True
                    span = limit.after_s
                    fell_silent.append((due, limit.name, "raised", span, heard, span))
        out.extend(sorted(fell_silent, key=lambda change: change[0]))

    for row, t in enumerate(batch.time_ns.tolist()):
        wait_until(t)
        for limit, watch in zip(limits, watches, strict=True):
            if isinstance(limit, Silence):
                if watch.active:
                    span = (t - heard) / 1e9
                    out.append((t, limit.name, "returned", span, t, span))
                watch.active = False
                continue
            value = float(batch.columns[limit.channel][row])
            if not math.isnan(value):
                change = look(limit, watch, t, value, hold[limit.channel])
                if change is not None:
                    out.append(change)
        heard = t
    wait_until(now_ns)
    return out


def plainly(changes) -> list[tuple]:
    """Return changes as the oracle writes them."""
    return [(c.time_ns, c.limit, c.kind, c.value, c.onset_ns, c.peak) for c in changes]


@st.composite
def a_limit(draw, name: str):
    """Draw a limit of any kind, small enough to meet its delays often."""
    if draw(st.integers(0, 4)) == 0:
        return silence(draw(st.sampled_from([0.5, 1, 2, 3, 8])), name=name)
    channel = draw(st.sampled_from([HOUSING, TORQUE]))
    side = draw(st.sampled_from(["above", "below"]))
    magnitude = channel == TORQUE and draw(st.booleans())
    pick_up = draw(st.integers(0 if magnitude else -2, 3))
    keys = {"name": name, "channel": channel, side: pick_up, "magnitude": magnitude}
    if draw(st.booleans()):
        width = draw(st.integers(0, 2))
        drop_off = pick_up - width if side == "above" else pick_up + width
        keys["drop_off"] = max(drop_off, 0) if magnitude else drop_off
    delays = st.sampled_from([0, 0, 1, 1.5, 2, 3, 5])
    return level(**keys, on_delay_s=draw(delays), off_delay_s=draw(delays))


@st.composite
def a_trace(draw):
    """Draw rows with equal times, steps, gaps and nulls, and values that cross often or seldom."""
    count = draw(st.integers(0, 40))
    steps = st.sampled_from([0, 0.5, 1, 1, 1, 1, 2, 3, 10])
    values = st.sampled_from([math.nan, -3, -2, -1, -0.0, 0, 1, 2, 3, 4])
    stay = draw(st.integers(0, 3))

    def column() -> list[float]:
        found: list[float] = []
        while len(found) < count:
            found += [draw(values)] * (1 + draw(st.integers(0, stay)))
        return found[:count]

    times = np.cumsum([draw(steps) for _ in range(count)])
    return batch_of(times, **{HOUSING: column(), TORQUE: column()})


@st.composite
def a_case(draw):
    """Draw limits, a trace, hold limits and the end of watching."""
    limits = [draw(a_limit(f"limit-{i}")) for i in range(draw(st.integers(1, 4)))]
    batch = draw(a_trace())
    hold = {HOUSING: draw(st.sampled_from([1, 2, 3])) * S, TORQUE: 2 * S}
    end = int(batch.time_ns[-1]) if len(batch) else 0
    return limits, batch, hold, end + draw(st.sampled_from([0, 1, 5])) * S


@settings(max_examples=examples(1500))
@given(a_case())
def test_agrees_with_plain_loops(case):
    """Every change, with time, value, onset and peak, is that of a reading-by-reading oracle."""
    limits, batch, hold, now_ns = case
    plan = plan_limits(LimitSet(limits=tuple(limits)), joint="shoulder", hold_ns=hold)
    changes, _ = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=now_ns)
    assert plainly(changes) == oracle(limits, batch, hold, 0, now_ns)


@settings(max_examples=examples(500))
@given(a_case(), st.data())
def test_any_chunking_gives_the_same(case, data):
    """Cut anywhere, told any true watermark, kept as content: same changes and state."""
    limits, batch, hold, now_ns = case
    plan = plan_limits(LimitSet(limits=tuple(limits)), joint="shoulder", hold_ns=hold)
    whole, end = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=now_ns)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(batch)), max_size=6)))
    state: EvaluationState = initial_state(plan, start_ns=0)
    parts: list[LimitChange] = []
    edges = [0, *cuts, len(batch)]
    for first, last in pairwise(edges):
        seen = int(batch.time_ns[last - 1]) if last else 0
        ahead = int(batch.time_ns[last]) if last < len(batch) else now_ns
        watermark = data.draw(st.sampled_from([seen, (seen + ahead) // 2, ahead]))
        changes, state = evaluate(
            plan, state, batch.select_rows(slice(first, last)), now_ns=watermark
        )
        parts += changes
        if data.draw(st.booleans()):
            state = pickle.loads(pickle.dumps(state))
    changes, state = evaluate(plan, state, batch.select_rows(slice(0, 0)), now_ns=now_ns)
    assert tuple(parts) + changes == whole
    assert state == end


def test_thousands_of_long_random_traces():
    """Long noisy traces, thousands of them, agree with the oracle to the last alert."""
    random = np.random.default_rng(182)
    for _ in range(2000):
        count = int(random.integers(50, 120))
        time_s = np.cumsum(random.choice([0, 0.5, 1, 1, 1, 4], count))
        walk = np.round(np.cumsum(random.normal(0, 0.6, count)), 1)
        walk[random.random(count) < 0.1] = math.nan
        batch = batch_of(time_s, **{HOUSING: walk, TORQUE: -walk})
        limits: list[Limit] = [
            level(
                name=f"limit-{i}",
                channel=(HOUSING, TORQUE)[i % 2],
                above=float(random.integers(0, 3)),
                drop_off=0.0,
                on_delay_s=float(random.integers(0, 4)),
                off_delay_s=float(random.integers(0, 4)),
            )
            for i in range(3)
        ]
        hold = {HOUSING: 2 * S, TORQUE: 3 * S}
        plan = plan_limits(LimitSet(limits=tuple(limits)), joint="shoulder", hold_ns=hold)
        end = int(batch.time_ns[-1])
        changes, _ = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=end)
        assert plainly(changes) == oracle(limits, batch, hold, 0, end)


def test_is_fast():
    """A level limit takes a calm trace at 5 million rows a second and more."""
    count = 2_000_000
    walk = 40 + np.sin(np.arange(count) / 1e5)
    batch = ReadingBatch(
        joint="shoulder",
        time_ns=np.arange(count) * 10_000_000,
        position_segment=np.zeros(count, np.int32),
        columns={HOUSING: walk},
    )
    limits = LimitSet(limits=(level(above=70, drop_off=67, on_delay_s=5, off_delay_s=5),))
    plan = plan_limits(limits, joint="shoulder", hold_ns={HOUSING: S})
    best = float("inf")
    for _ in range(3):
        began = time.perf_counter()
        evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=0)
        best = min(best, time.perf_counter() - began)
    assert count / best > 5e6
