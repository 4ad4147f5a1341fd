"""Opening a day in Replay: strip and list with thousands of alerts, and what led up to some.

What it costs grows with the alerts and the seconds, not with the rows, so the joints report ten
times a second. Against the evaluation of all limits over all rows, which says the same.
"""

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard.figures.sheet import make_sheet
from dashboard.replay import recording_view
from dashboard.replay.excursion_rows import excursion_details
from dashboard.replay.recording_view import DrawOptions
from dashboard.text.theme import LIGHT
from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.excursions.applied_limits import recorded_limits
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from tests.benchmarks.measure import START_NS, say

pytestmark = pytest.mark.slow

DAY_H = float(os.environ.get("BENCH_HOURS", "24"))
ALERTS = """
[[limit]]
name = "chatters"
kind = "level"
severity = "warning"
joint = "shoulder"
channel = "torque_Nm"
above = 13.5
off_delay_s = 1.0
"""


def _made(path: Path) -> Recording:
    import_frames(
        simulate_frames(hours=DAY_H, rate_Hz=10.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=10.0),
        limits=parse_limits(scenario.scenario_limits_text() + ALERTS, "limits.toml"),
        out=path,
        name="day",
        start_ns=START_NS,
        end_ns=START_NS + round(DAY_H * 3600e9),
        simulated=True,
    )
    return Recording.open(path)


def _ms(run: Callable[[], object]) -> float:
    before = time.perf_counter()
    run()
    return (time.perf_counter() - before) * 1e3


def test_a_day_is_opened(tmp_path: Path):
    """The whole in under a second, however many alerts there were."""
    day = _made(tmp_path / "day")
    drawn = DrawOptions(sheet=make_sheet("normal", 1100, 790), theme=LIGHT)
    say("alerts", len(day.read_alerts()), "")
    say("folder opened", _ms(lambda: Recording.open(day.path)), "ms")
    fresh = Recording.open(day.path)
    say("strip and list, once", _ms(lambda: recording_view.open_view(fresh, drawn)), "ms")
    say("strip and list, again", _ms(lambda: recording_view.open_view(fresh, drawn)), "ms")
    say(
        "rows of the whole",
        _ms(lambda: recording_view.window_figure(fresh, 0.0, DAY_H * 3600, drawn)),
        "ms",
    )
    some = _ms(
        lambda: excursion_details(fresh, recorded_limits(fresh), drawn.displays, first=0, count=40)
    )
    say("what led up to forty", some, "ms")
    folded = _ms(lambda: recorded_excursions(fresh))
    say("all of them, by the events", folded, "ms")
    evaluated = _ms(lambda: find_excursions(fresh))
    say("the same by the evaluation of all rows", evaluated, "ms")
    assert recorded_excursions(fresh) == find_excursions(fresh)
