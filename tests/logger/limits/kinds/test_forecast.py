"""A limit on what a temperature will do: raised before it does, live and afterwards alike."""

from dataclasses import replace

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.limits.deferral import DeferredState, evaluate_deferred
from logger.limits.describe import describe_limits
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import check_for_bench, parse_limits
from replay.excursions.over_rows import evaluate_joint
from tests.support.forecast_recording import START_NS, heat_bench, record_forecast
from tests.support.observed_joint import HOLD_NS, SECOND_NS, observed_joint

HOUSING = "temperature_housing_degC"
TEXT = """format = 1
[[limit]]
name = "hot-soon"
kind = "forecast"
severity = "warning"
above = {above}
within_s = 300.0
probability_percent = 60.0
drop_off_percent = 20.0
"""


@pytest.fixture(scope="module")
def heated():
    """Give a joint that holds 10 A for twelve minutes, and then nothing; its readings."""
    current = np.concatenate([np.full(200, 1.0), np.full(520, 10.0), np.full(600, 0.0)])
    run = observed_joint(12, current, winding=False)
    batch = ReadingBatch(
        joint="a",
        time_ns=START_NS + np.arange(len(current)) * SECOND_NS,
        position_segment=np.full(len(current), -1, np.int32),
        columns={"current_A": current, **run.readings},
    )
    level = float(run.readings[HOUSING].max()) - 2.0
    return run, batch, level


def _plan(run, level, heat):
    return plan_limits(
        parse_limits(TEXT.format(above=level), "limits.toml"), joint="a", hold_ns=HOLD_NS, heat=heat
    )


def _changes(plan, batch, cuts=()):
    state, changes = initial_state(plan, start_ns=START_NS), []
    for first, last in zip([0, *cuts], [*cuts, len(batch)], strict=True):
        part = batch.select_rows(slice(first, last))
        now_ns = int(batch.time_ns[last - 1]) if last else START_NS
        found, state = evaluate(plan, state, part, now_ns=now_ns)
        changes += found
    return changes, state


def test_it_is_raised_before_the_level_is_reached_and_returns_at_rest(heated):
    """Minutes ahead, and gone once the load is."""
    run, batch, level = heated
    (raised, returned), _ = _changes(_plan(run, level, run.fitted), batch)
    reached = int(np.flatnonzero(run.readings[HOUSING] >= level)[0])
    lead_s = reached - (raised.time_ns - START_NS) / SECOND_NS
    assert 60.0 < lead_s < 400.0
    assert raised.value >= 0.6
    assert (returned.time_ns - START_NS) / SECOND_NS > 720


def test_any_chunking_gives_the_same(heated):
    """Cut anywhere: the same changes and the same memory, to the bit."""
    run, batch, level = heated
    plan = _plan(run, level, run.fitted)
    whole, end = _changes(plan, batch)
    cuts = sorted(np.random.default_rng(1).integers(0, len(batch), 25).tolist())
    parts, after = _changes(plan, batch, cuts)
    assert parts == whole
    assert after == end


def test_after_a_gap_nothing_is_raised_until_the_joint_was_followed_for_a_minute(heated):
    """A minute and a half without rows, minutes before the level: raised a minute behind it."""
    run, batch, level = heated
    plan = _plan(run, level, run.fitted)
    (raised, _), _ = _changes(plan, batch)
    since_s = (batch.time_ns - raised.time_ns) / SECOND_NS
    gapped = batch.select_rows((since_s < -30.0) | (since_s >= 60.0))
    (late, _), _ = _changes(plan, gapped)
    assert 60.0 <= (late.time_ns - raised.time_ns) / SECOND_NS - 60.0 < 90.0


def test_live_and_afterwards_are_alike(heated, tmp_path):
    """The recorder's alert is that of an evaluation over the stored rows."""
    run, _, level = heated
    recording = record_forecast(
        tmp_path / "rec", run, limits=TEXT.format(above=level), forecasts=False
    )
    live = [event for event in recording.read_events() if event.limit == "hot-soon"]
    after = evaluate_joint(recording, recording.limit_sets, "a").changes
    assert [(one.kind, one.time_ns) for one in live] == [(one.kind, one.time_ns) for one in after]
    assert len(live) == 2


def test_a_joint_without_a_model_is_not_watched(heated):
    """It is left out, as a share of a rated value is that the joint does not have."""
    run, _, level = heated
    plan = _plan(run, level, None)
    assert plan.limits == ()
    bench = heat_bench(run, ["current_A", HOUSING])
    limits = parse_limits(TEXT.format(above=70.0), "limits.toml")
    check_for_bench(limits, bench, "limits.toml")
    (words,) = describe_limits(limits, bench)
    assert words.text == (
        "warns when the housing of any joint with a model of heat is as likely as 60 % to reach "
        "70 °C within 5 min; clears at 20 % or less"
    )


def test_it_is_raised_by_a_row_without_a_temperature(heated):
    """A step ends with any row: held readings are evaluated at the one that ends it, no later."""
    run, batch, level = heated
    temperature = batch.columns[HOUSING].copy()
    temperature[np.arange(len(batch)) % 7 != 3] = np.nan
    batch = replace(batch, columns={**batch.columns, HOUSING: temperature})
    plan = _plan(run, level, run.fitted)
    state = initial_state(plan, start_ns=START_NS)
    deferred, calls = DeferredState(state=state), ([], [])
    for row in range(len(batch)):
        part, now_ns = batch.select_rows(slice(row, row + 1)), int(batch.time_ns[row])
        found, state = evaluate(plan, state, part, now_ns=now_ns)
        evaluation, deferred = evaluate_deferred(plan, deferred, part, now_ns=now_ns)
        calls[0].extend((row, one) for one in found)
        calls[1].extend((row, one) for one in (evaluation.changes if evaluation else ()))
    assert len(calls[0]) == 2
    assert calls[1] == calls[0]
