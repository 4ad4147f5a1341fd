"""Inverse-time limits over runs: what the code that runs live says, reading by reading."""

from itertools import pairwise

import numpy as np
import pytest

from logger.limits.curves import CURVES
from logger.limits.hysteresis import LevelState
from logger.limits.kinds.inverse_time import InverseMemory, InverseTime, measure_inverse_time
from replay.evaluation import inverse_time_runs
from replay.evaluation.inverse_time_runs import (
    InverseRun,
    RowStretch,
    advance_run,
    restore_memory,
    runs_are_all,
)
from replay.evaluation.level_alerts import to_series
from replay.evaluation.skip_scan import find_state_changes

HOLD_NS = 30_000_000
MS = 1_000_000


def _limit(**settings) -> InverseTime:
    return InverseTime(
        **{
            "name": "x", "severity": "trip", "channel": "current_A", "curve": "C", "setting": 4.0,
            "tms": 0.05, **settings,
        }
    )  # fmt: skip


def _trace(seed: int, n: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    """Make a current that swings and stands, in counts; equal times and gaps among them."""
    dice = np.random.default_rng(seed)
    steps = dice.choice([0, 10 * MS, 20 * MS, 900 * MS], n, p=[0.03, 0.6, 0.36, 0.01])
    level = np.repeat(dice.choice([0.0, 3.9, 4.0, 5.0, 9.0, -7.0], n // 50 + 1), 50)[:n]
    noise = np.where(dice.random(n) < 0.5, 0.0, dice.normal(0, 0.6, n))
    return np.cumsum(steps) + 10**18, np.round(level + noise, 2)


def _by_readings(limit: InverseTime, time_ns: np.ndarray, values: np.ndarray):
    memory, state, times = InverseMemory(), LevelState(), []
    for first, last in pairwise([*range(0, len(values), 777), len(values)]):
        series = to_series(limit.channel, time_ns[first:last], values[first:last], hold_ns=HOLD_NS)
        scores, memory = measure_inverse_time(limit, memory, series)
        changes, state = find_state_changes(limit, state, scores, joint="a")
        for change in changes:
            times += change.time_ns.tolist()
    return times, state.active, memory


def _by_runs(limit: InverseTime, time_ns: np.ndarray, values: np.ndarray, *, rows: int):
    run, times = InverseRun(), []

    def read(begin_ns: int, end_ns: int) -> tuple[np.ndarray, np.ndarray]:
        first, stop = np.searchsorted(time_ns, [begin_ns, end_ns])
        return time_ns[first:stop], values[first:stop]

    # Stretches are cut by time, so that readings of one instant are in one.
    edges = sorted({0, *np.searchsorted(time_ns, time_ns[::rows]).tolist(), len(values)})
    for first, last in pairwise(edges):
        was_active = run.active
        stretch = RowStretch(time_ns[first:last], values[first:last], hold_ns=HOLD_NS)
        raised, returned = advance_run(limit, run, stretch, read)
        pair = (returned, raised) if was_active else (raised, returned)
        assert 0 <= len(pair[0]) - len(pair[1]) <= 1, "they alternate"
        times += sorted([*raised.tolist(), *returned.tolist()])
    restore_memory(limit, run, read, end_ns=int(time_ns[-1]) + 1, hold_ns=HOLD_NS)
    return times, run.active, run.memory


LIMITS = [
    *(_limit(curve=curve) for curve in CURVES),
    _limit(curve="B", tms=0.002),
    _limit(tms=2.0, setting=3.0),
    _limit(tms=0.0005, setting=2.0),
    _limit(from_multiple=1.1, drop_off=0.8),
    _limit(curve="B", drop_off=0.2, tms=0.01),
    _limit(flat_above=2.0),
    _limit(curve="A", flat_above=2.0, tms=0.01),
    _limit(setting=50.0),
]


@pytest.mark.parametrize("margin", [inverse_time_runs._LEAST_MARGIN, 1e-4, 100.0])
@pytest.mark.parametrize("rows", [1, 13, 500, 10_000])
@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: f"{limit.curve}-{limit.tms}")
def test_the_same_as_reading_by_reading(
    limit: InverseTime, rows: int, margin: float, monkeypatch: pytest.MonkeyPatch
):
    """However rows are cut, and however much is left to the code that runs live."""
    monkeypatch.setattr(inverse_time_runs, "_LEAST_MARGIN", margin)
    for seed in (1, 2) if rows > 1 else (3,):
        time_ns, values = _trace(seed, 4000 if rows > 1 else 600)
        times, active, memory = _by_runs(limit, time_ns, values, rows=rows)
        expected_times, expected_active, expected_memory = _by_readings(limit, time_ns, values)
        assert times == expected_times
        assert active == expected_active
        assert memory == expected_memory
        assert len(times) > 3 or limit.tms >= 1 or limit.setting == 50.0 or rows == 1


def test_near_the_end_of_a_sum_the_code_that_runs_live_decides(monkeypatch: pytest.MonkeyPatch):
    """A run whose integral is full at its last reading, but for the last digits of a float."""
    asked = []
    exact = inverse_time_runs._operates_exactly_at

    def watched(*arguments: object, **named: object) -> int:
        asked.append(named["begin"])
        return exact(*arguments, **named)

    monkeypatch.setattr(inverse_time_runs, "_operates_exactly_at", watched)
    # At twice the setting curve C takes 80 / 3 * TMS: here 100 intervals of 10 ms, which is full.
    limit = _limit(setting=4.0, tms=3.0 / 80.0 / (1.0 - 1e-9))
    for extra in (0, 1):
        values = np.array([0.0] * 10 + [8.0] * (100 + extra) + [0.0] * 10)
        time_ns = 10**18 + 10 * MS * np.arange(len(values))
        times, _, _ = _by_runs(limit, time_ns, values, rows=10_000)
        assert times == _by_readings(limit, time_ns, values)[0]
        assert len(times) == 2
    assert len(asked) == 2


@pytest.mark.parametrize(
    ("settings", "fits"),
    [({}, True), ({"reset": "held"}, False), ({"on_delay_s": 1.0}, False),
     ({"off_delay_s": 1.0}, False)],
)  # fmt: skip
def test_which_limits_depend_on_their_runs_alone(settings: dict, fits: bool):  # noqa: FBT001
    """Those that keep nothing below their setting, and wait for nothing."""
    assert runs_are_all(_limit(**settings)) is fits
