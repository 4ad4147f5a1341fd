"""A sweep over hours of two joints at 1 kHz: wall clock on this machine's cores, and its equality.

Two hours are made and measured on; TUNE_REC names a recording of a day to measure on instead.
"""

import os
import time
from pathlib import Path

import pytest

from logger.importing.import_frames import import_frames
from logger.limits.limit import LimitSet, parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.evaluation.alert_arrays import to_alert_arrays, to_state_changes
from replay.evaluation.tasks import evaluate_limits
from replay.excursions.over_rows import evaluate_joint
from replay.recording import Recording
from replay.tuning.executors import count_cores, process_executor
from replay.tuning.sweep import Sweep, parse_sweep
from replay.tuning.tune import prepare_sweep, run_sweep
from tests.benchmarks.measure import SCALE, START_NS, guard_at_least, report
from tests.support.alerts import same_alerts

pytestmark = pytest.mark.slow

HOURS = 2.0 * SCALE
HEAD = (
    'format = 1\n[bad_end]\nchannel = "temperature_housing_degC"\nabove = 80.0\nwithin_s = 3600.0\n'
)
KINDS = {
    "level, temperature": (
        1000,
        'kind = "level"\nchannel = "temperature_housing_degC"\nabove = 70.0',
        {"above": (40.0, 79.0), "on_delay_s": (0.0, 10.0)},
    ),
    "level, current at 1 kHz": (
        1000,
        'kind = "level"\nchannel = "current_A"\nabove = 9.0',
        {"above": (9.0, 12.0), "on_delay_s": (0.0, 10.0)},
    ),
    "touch": (200, 'kind = "touch"\ncontact_s = 60.0\nabove = 60.0', {"above": (40.0, 79.0)}),
    "inverse time": (
        200,
        'kind = "inverse-time"\nchannel = "current_A"\ncurve = "C"\nsetting = 6.0',
        {"setting": (4.0, 9.0), "tms": (0.02, 0.5)},
    ),
    "thermal": (
        200,
        'kind = "thermal"\nchannel = "current_A"\nbasic = 6.0\nheating_s = 600.0',
        {"basic": (5.0, 8.0), "heating_s": (100.0, 1200.0), "above_percent": (70.0, 100.0)},
    ),
    "rate": (
        200,
        'kind = "rate"\nchannel = "temperature_housing_degC"\nrise_per_min = 3.0\nover_s = 60.0',
        {"rise_per_min": (2.0, 12.0), "over_s": (30.0, 120.0)},
    ),
    "tracking": (
        200,
        'kind = "tracking"\nchannel = "torque_Nm"\nabove = 3.0',
        {"above": (0.3, 6.0), "on_delay_s": (0.05, 3.0)},
    ),
    "frozen": (
        200,
        'kind = "frozen"\nchannel = "position_rad"\nwithin = 0.001\nload = "current_A"\n'
        "load_above = 2.0\non_delay_s = 10.0",
        {"within": (0.0001, 0.01), "load_above": (1.0, 4.0), "on_delay_s": (3.0, 60.0)},
    ),
    "silence": (200, 'kind = "silence"\nafter_s = 1.0', {"after_s": (0.05, 5.0)}),
}

# A third of what two hours give, or half of what they do with a load of five for each core: a sweep
# on two cores, processes started, against each candidate by itself in one (40x to 320x, 20x to
# 144x); and three candidates that share nothing but the reading of the rows, where the images of a
# thermal limit are most of the work either way (1.6x to 45x).
LEAST = {
    "level, temperature": (45.0, 1.2),
    "level, current at 1 kHz": (45.0, 2.5),
    "touch": (16.0, 1.6),
    "inverse time": (16.0, 4.0),
    "thermal": (16.0, 0.6),
    "rate": (10.0, 0.8),
    "tracking": (17.0, 1.3),
    "frozen": (60.0, 5.0),
    "silence": (18.0, 0.9),
}


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the recording that is measured on."""
    if "TUNE_REC" in os.environ:
        return Path(os.environ["TUNE_REC"])
    out = tmp_path_factory.mktemp("made") / "hours"
    import_frames(
        simulate_frames(hours=HOURS, rate_Hz=1000.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="x", rate_Hz=1000.0),
        limits=LimitSet(),
        out=out,
        name="hours",
        start_ns=START_NS,
        end_ns=START_NS + int(HOURS * 3600e9),
    )
    return out


def _sweep(kind: str) -> Sweep:
    draws, body, ranges = KINDS[kind]
    base = parse_limits(
        f'format = 1\n[[limit]]\nname = "x"\nseverity = "trip"\n{body}\n', "limits.toml"
    )
    vary = "".join(
        f'[[vary]]\nlimit = "x"\nkey = "{key}"\nfrom = {low}\nto = {high}\n'
        for key, (low, high) in ranges.items()
    )
    return parse_sweep(f"{HEAD}[random]\ndraws = {draws}\nseed = 3\n{vary}", base, "sweep.toml")


@pytest.mark.parametrize("kind", KINDS)
def test_a_sweep(recording: Path, kind: str):
    """A sweep against as many evaluations of one candidate, one after the other, every reading."""
    sweep = _sweep(kind)
    before = time.monotonic()
    asked = prepare_sweep([recording], sweep, "limits.toml")
    with process_executor(count_cores()) as pool:
        assert run_sweep(asked, executor=pool, jobs=count_cores()).is_complete
    took = time.monotonic() - before
    count, hours = len(sweep.candidates), asked.inputs[0].recorded_s / 3600.0
    report(
        f"tune: {count} candidates, {kind}, {hours:.0f} h, {count_cores()} cores, with the start",
        took,
        "s",
    )
    before = time.monotonic()
    opened = Recording.open(recording)
    for joint in opened.joints:
        sets = ((opened.start_ns, LimitSet(limits=sweep.candidates[0].limits)),)
        evaluate_joint(opened, sets, joint)
    alone_s = time.monotonic() - before
    guard_at_least(
        "   each candidate by itself / the sweep", count * alone_s / took, LEAST[kind][0]
    )


@pytest.mark.parametrize("kind", KINDS)
def test_equal_to_every_reading_by_itself(recording: Path, kind: str):
    """Three of the candidates: the same alerts as evaluated alone; how much longer that takes."""
    opened = Recording.open(recording)
    candidates = _sweep(kind).candidates
    limits = [candidates[place].limits[0] for place in (0, len(candidates) // 2, -1)]
    for joint in opened.joints:
        before = time.process_time()
        found = evaluate_limits(opened, joint, limits)
        short_s = time.process_time() - before
        before = time.process_time()
        for limit, alerts in zip(limits, found, strict=True):
            sets = ((opened.start_ns, LimitSet(limits=(limit,))),)
            expected = to_alert_arrays(
                to_state_changes(evaluate_joint(opened, sets, joint).changes)
            )
            assert same_alerts(alerts, expected), limit
        long_s = time.process_time() - before
        guard_at_least(
            f"tune: {kind} on {joint}, three candidates alone: times as long",
            long_s / short_s,
            LEAST[kind][1],
        )
