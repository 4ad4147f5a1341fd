"""The Limits page: a limit is turned, and every recording answers. Wall clock, as the routes do it.

Ten recordings of two joints at 1 kHz, a quarter of an hour each, are made and asked; JUDGE_RECS
names a folder with longer ones to ask instead. Beside each answer stands what the same limit costs
in full on one recording, of which the page has as many as there are.
"""

import json
import os
import shutil
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.limits.question import LimitsRequest
from dashboard.limits.reply import build_reply
from logger.importing.import_frames import import_frames
from logger.limits.limit import LimitSet, parse_limits
from logger.limits.limits_text import limit_tables
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.evaluation.tasks import evaluate_limits
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording
from tests.benchmarks.measure import SCALE, START_NS, guard_at_least, report

pytestmark = pytest.mark.slow

HOURS = 0.25 * SCALE
MANY = 10
TURNS = 12
# Evaluating ten recordings of a quarter of an hour in full, by the shorter ways, takes so many
# times as long as the answer; a third of it, less where it swings. With six hours each it is 38x
# and more, as the answer costs about the same. Lowest where the full way is short itself.
LEAST = {
    "level, temperature": 2.4,
    "level, torque at 1 kHz": 2.6,
    "touch": 11.0,
    "rate": 26.0,
    "inverse time": 0.3,
    "thermal": 9.0,
    "tracking": 29.0,
    "frozen": 0.4,
    "silence": 26.0,
}
BAD_END = {"channel": "temperature_housing_degC", "above": 64.0, "within_s": 3600.0}
KINDS: dict[str, tuple[dict[str, Any], str, float, float]] = {
    "level, temperature": (
        {"kind": "level", "channel": "temperature_housing_degC", "on_delay_s": 3.0},
        "above", 50.0, 70.0,
    ),
    "level, torque at 1 kHz": (
        {"kind": "level", "channel": "torque_Nm", "on_delay_s": 0.1, "off_delay_s": 10.0},
        "above", 9.0, 16.0,
    ),
    "touch": ({"kind": "touch", "contact_s": 60.0}, "above", 45.0, 65.0),
    "rate": (
        {"kind": "rate", "channel": "temperature_housing_degC", "over_s": 120.0},
        "rise_per_min", 1.0, 3.0,
    ),
    "inverse time": (
        {"kind": "inverse-time", "channel": "current_A", "curve": "C", "tms": 0.5},
        "setting", 4.0, 8.0,
    ),
    "thermal": (
        {"kind": "thermal", "channel": "current_A", "heating_s": 900.0, "above_percent": 90.0},
        "basic", 4.0, 7.0,
    ),
    "tracking": (
        {"kind": "tracking", "channel": "position_rad", "on_delay_s": 2.5}, "above", 0.1, 0.5,
    ),
    "frozen": (
        {"kind": "frozen", "channel": "temperature_housing_degC", "load": "current_A",
         "smoothing_s": 30.0, "on_delay_s": 300.0},
        "load_above", 2.0, 5.0,
    ),
    "silence": ({"kind": "silence"}, "after_s", 0.5, 5.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> list[Recording]:
    """Give the recordings that are asked."""
    if "JUDGE_RECS" in os.environ:
        folder = Path(os.environ["JUDGE_RECS"])
        return [Recording.open(path) for path in sorted(folder.iterdir())][:MANY]
    folder = tmp_path_factory.mktemp("judged")
    import_frames(
        simulate_frames(hours=HOURS, rate_Hz=1000.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=1000.0),
        limits=LimitSet(),
        out=folder / "0",
        name="part",
        start_ns=START_NS,
        end_ns=START_NS + int(HOURS * 3600e9),
        simulated=True,
    )
    for place in range(1, MANY):
        shutil.copytree(folder / "0", folder / str(place))
    return [Recording.open(folder / str(place)) for place in range(MANY)]


@pytest.mark.parametrize("kind", KINDS)
def test_a_limit_is_turned(opened: list[Recording], kind: str):
    """Each value is a new one, so nothing of the answer is known; what is drawn is known."""
    table, key, low, high = KINDS[kind]
    desk, shapes_key, took, sizes = LimitExplorer(), "", [], []
    before = limit_tables(scenario.scenario_limits_text())
    for value in np.linspace(low, high, TURNS + 1):
        turned = {"name": "turned", "severity": "warning", **table, key: float(f"{value:.4g}")}
        begun = time.perf_counter()
        question = LimitsRequest.model_validate(
            {
                "recordings": [],
                "tables": [*before, turned],
                "bad_end": BAD_END,
                "chosen": "turned",
                "shapes_key": shapes_key,
            }
        )
        told = build_reply(question, question.parse_limits(), opened, desk)
        sizes.append(len(json.dumps(told)))
        took.append(time.perf_counter() - begun)
        shapes_key = told["chosen"]["shapes_key"]
    (limit,) = parse_limits(
        'format = 1\n[[limit]]\nname = "x"\nseverity = "trip"\n'
        + "".join(
            f"{k} = {json.dumps(v)}\n" for k, v in turned.items() if k not in {"name", "severity"}
        ),
        "x",
    ).limits
    begun = time.perf_counter()
    for joint in opened[0].joints:
        evaluate_limits(opened[0], joint, [limit])
    full_s = (time.perf_counter() - begun) * len(opened)
    later = sorted(took[1:])
    middle = later[len(later) // 2]
    report(f"limits page: {kind}, {len(opened)} recordings: first answer", took[0], "s")
    report("   turned, median", middle * 1e3, "ms")
    report("   turned, worst", later[-1] * 1e3, "ms")
    report("   the answer", sorted(sizes)[len(sizes) // 2] / 1e3, "kB")
    guard_at_least("   in full (one process) against the median", full_s / middle, LEAST[kind])
