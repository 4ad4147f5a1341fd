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
from tests.benchmarks.measure import START_NS, guard_at_most, report

pytestmark = pytest.mark.slow

DAY_H = float(os.environ.get("BENCH_HOURS", "24"))
# Strip and list come from the events and the pyramid: 0.09 of the evaluation even where joints
# report ten times a second. Details of all excursions at once, which no page asks for, are worth it
# only at 1 kHz: 0.85 here.
MOST_OF_EVALUATION = 0.3
MOST_OF_ALL = 2.0
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
    """Strip, list and details cost less than the evaluation that says the same."""
    day = _made(tmp_path / "day")
    drawn = DrawOptions(sheet=make_sheet("normal", 1100, 790), theme=LIGHT)
    report("alerts", len(day.read_alerts()), "")
    report("folder opened", _ms(lambda: Recording.open(day.path)), "ms")
    fresh = Recording.open(day.path)
    once = _ms(lambda: recording_view.open_view(fresh, drawn))
    report("strip and list, once", once, "ms")
    report("strip and list, again", _ms(lambda: recording_view.open_view(fresh, drawn)), "ms")
    report(
        "rows of the whole",
        _ms(lambda: recording_view.window_figure(fresh, 0.0, DAY_H * 3600, drawn)),
        "ms",
    )
    some = _ms(
        lambda: excursion_details(fresh, recorded_limits(fresh), drawn.displays, first=0, count=40)
    )
    report("what led up to forty", some, "ms")
    folded = _ms(lambda: recorded_excursions(fresh))
    report("all of them, by the events", folded, "ms")
    evaluated = _ms(lambda: find_excursions(fresh))
    report("the same by the evaluation of all rows", evaluated, "ms")
    assert recorded_excursions(fresh) == find_excursions(fresh)
    guard_at_most(
        "strip and list / the evaluation of all rows", once / evaluated, MOST_OF_EVALUATION
    )
    guard_at_most("excursions by the events / by the rows", folded / evaluated, MOST_OF_ALL)
