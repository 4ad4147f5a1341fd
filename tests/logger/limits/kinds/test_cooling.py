"""A limit on cooling: raised minutes behind a fan that fails, silent where it runs."""

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import parse_limits
from tests.support.observed_joint import HOLD_NS, SECOND_NS, observed_joint, random_duty

TEXT = """format = 1
[[limit]]
name = "cooling-worse"
kind = "cooling"
severity = "warning"
worse_percent = 25.0
drop_off_percent = 10.0
"""


def _batch(run):
    seconds = len(run.current_A)
    return ReadingBatch(
        joint="a",
        time_ns=np.arange(seconds) * SECOND_NS,
        position_segment=np.full(seconds, -1, np.int32),
        columns={"current_A": run.current_A, **run.readings},
    )


def _changes(run, cuts=()):
    plan = plan_limits(
        parse_limits(TEXT, "limits.toml"), joint="a", hold_ns=HOLD_NS, heat=run.fitted
    )
    batch = _batch(run)
    state, changes = initial_state(plan, start_ns=0), []
    for first, last in zip([0, *cuts], [*cuts, len(batch)], strict=True):
        part = batch.select_rows(slice(first, last))
        now_ns = int(batch.time_ns[last - 1]) if last else 0
        found, state = evaluate(plan, state, part, now_ns=now_ns)
        changes += found
    return changes, state


def test_a_fan_that_fails_is_found_within_ten_minutes():
    """Half as much cooling, half an hour into the run: raised soon, and not before."""
    seed = 0
    run = observed_joint(seed, random_duty(seed, 2700, 20.0), winding=False, cooling=(1800, 2.0))
    (raised, *_), _ = _changes(run)
    assert 1800 < raised.time_ns / SECOND_NS < 2400
    assert raised.value >= 0.25


def test_quiet_joints_raise_nothing():
    """A model that is as far off as its spread says, under any duty, the room drifting."""
    for seed in range(2):
        run = observed_joint(seed + 20, random_duty(seed, 3600, (4.0, 150.0)[seed]))
        assert _changes(run)[0] == []


def test_any_chunking_gives_the_same():
    """Cut anywhere: the same changes and the same memory, to the bit."""
    run = observed_joint(1, random_duty(1, 1800, 20.0), winding=False, cooling=(1000, 2.5))
    whole, end = _changes(run)
    cuts = sorted(np.random.default_rng(2).integers(0, 1800, 9).tolist())
    assert _changes(run, cuts) == (whole, end)
    assert whole
