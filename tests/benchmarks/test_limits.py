"""All kinds of limit at once: rows a second in batch, and what small batches cost live.

The peer is numpy itself: for each limit one comparison of its channel with a level, and where it
changes. That has no time, no hysteresis, no state from batch to batch and no curve.
"""

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import LimitSet, parse_limits
from tests.benchmarks.measure import START_NS, guard_at_most, measure_cpu_s, report

pytestmark = pytest.mark.slow

# Rows as joints report them have few values a channel (19); where every row has all of them (50),
# the walks that cannot be one array operation, over curve and frozen reading, count in full.
MOST_OF_A_COMPARISON = {False: 50.0, True: 130.0}
# A batch costs the same for each limit however few rows it has: some 30 us for each of nine. (21)
MOST_OF_A_WHOLE = 55.0
EVERY_KIND = """
format = 1
[[limit]]
name = "housing"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 70.0
drop_off = 67.0
on_delay_s = 5.0
[[limit]]
name = "voltage"
kind = "level"
severity = "warning"
channel = "voltage_V"
outside = [40.0, 54.0]
[[limit]]
name = "curve"
kind = "inverse-time"
severity = "trip"
channel = "current_A"
curve = "C"
setting = 6.0
[[limit]]
name = "image"
kind = "thermal"
severity = "trip"
channel = "current_A"
basic = 8.0
heating_s = 600.0
cooling_s = 900.0
[[limit]]
name = "rise"
kind = "rate"
severity = "warning"
channel = "temperature_housing_degC"
rise_per_min = 10.0
over_s = 30.0
[[limit]]
name = "astray"
kind = "tracking"
severity = "warning"
channel = "torque_Nm"
above = 8.0
on_delay_s = 0.5
[[limit]]
name = "frozen"
kind = "frozen"
severity = "warning"
channel = "position_rad"
within = 0.0001
load = "current_A"
load_above = 4.0
on_delay_s = 10.0
[[limit]]
name = "touch"
kind = "touch"
severity = "warning"
contact_s = 60.0
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 0.5
"""


def _rows(count: int, *, dense: bool = False) -> ReadingBatch:
    """Return a working joint at 1 kHz as joints report: load in one frame of two, heat in some.

    Its current crosses the setting of the curve in every cycle. `dense`: every row has everything.
    """
    dice = np.random.default_rng(8)
    at_s = np.arange(count) / 1000.0
    cycle = 8.0 * np.sin(2 * np.pi * at_s / 3.0) + dice.normal(0, 0.2, count)
    columns = {
        "current_A": cycle,
        "torque_Nm": 1.6 * cycle,
        "torque_setpoint_Nm": 12.8 * np.sin(2 * np.pi * at_s / 3.0),
        "position_rad": np.sin(2 * np.pi * at_s / 6.0),
        "temperature_housing_degC": np.round(45 + 5 * np.sin(at_s / 900), 1),
        "voltage_V": 48 + dice.normal(0, 0.1, count),
    }
    if not dense:
        odd = np.arange(count) % 2 == 1
        for name in ("current_A", "torque_Nm", "position_rad"):
            columns[name][odd] = np.nan
        for name in ("torque_setpoint_Nm", "voltage_V"):
            columns[name][~odd] = np.nan
        columns["temperature_housing_degC"][np.arange(count) % 10 != 1] = np.nan
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + np.arange(count, dtype=np.int64) * 1_000_000,
        position_segment=np.zeros(count, np.int32),
        columns=columns,
    )


def _plan(limits: LimitSet, batch: ReadingBatch):
    return plan_limits(limits, joint="a", hold_ns=dict.fromkeys(batch.columns, 50_000_000))


@pytest.mark.parametrize("dense", [False, True], ids=["as joints report", "every row full"])
def test_all_kinds_in_batch(*, dense: bool):
    """Nine limits, one of each kind that a joint has, against nine comparisons."""
    limits = parse_limits(EVERY_KIND, "limits.toml")
    batch = _rows(1_000_000, dense=dense)
    pieces = [
        batch.select_rows(slice(first, first + 100_000)) for first in range(0, 1_000_000, 100_000)
    ]
    for limit in limits.limits:
        plan = _plan(LimitSet(limits=(limit,)), batch)
        took = measure_cpu_s(lambda plan=plan: _over(plan, pieces))
        report(f"   {limit.name} alone: ns a row", took / len(batch) * 1e9, "ns")
    plan = _plan(limits, batch)
    took = measure_cpu_s(lambda: _over(plan, pieces))
    rows = "every row full" if dense else "as joints report"
    rate = len(batch) / took
    report(f"all kinds of limit together, {rows}: rows a second a core", rate / 1e6, "M rows/s")
    guard_at_most(
        f"all kinds of limit together, {rows} / a comparison for each",
        took / measure_cpu_s(lambda: _compare(pieces, len(limits.limits))),
        MOST_OF_A_COMPARISON[dense],
    )


def test_live_cost_of_small_batches():
    """A hundred rows, as a recorder has them every 50 ms, against the same rows in one piece."""
    limits = parse_limits(EVERY_KIND, "limits.toml")
    batch = _rows(20_000)
    pieces = [batch.select_rows(slice(first, first + 100)) for first in range(0, 20_000, 100)]
    plan = _plan(limits, batch)
    took = measure_cpu_s(lambda: _over(plan, pieces))
    report("all kinds of limit, a batch of 100 rows", took / len(pieces) * 1e6, "us")
    guard_at_most(
        "all kinds of limit, 200 batches of 100 rows / one of 20,000",
        took / measure_cpu_s(lambda: _over(plan, [batch])),
        MOST_OF_A_WHOLE,
    )


def _over(plan, pieces) -> None:
    state = initial_state(plan, start_ns=START_NS)
    for piece in pieces:
        _, state = evaluate(plan, state, piece, now_ns=int(piece.time_ns[-1]))


def _compare(pieces, limits: int) -> None:
    for piece in pieces:
        for _ in range(limits):
            above = piece.columns["current_A"] > 6.0
            np.flatnonzero(above[1:] != above[:-1])
