"""When a whole plan ends if it goes on like this, and how sure that is by its pauses so far."""

from dataclasses import replace

import numpy as np
import pytest

from logger.campaign.plan import parse_plan
from replay.campaign.campaign_cycles import RunningHours
from replay.campaign.campaign_days import StageSpan
from replay.campaign.plan_end import PlanEnd, plan_end

DAY_NS = 86_400_000_000_000
PLAN = parse_plan(
    """
format = 1
name = "Gear endurance"
[[stage]]
name = "load"
cycles = 10_000
[[stage]]
name = "rest"
duration_s = 43_200
[[stage]]
name = "cool-down"
until = { below_degC = 30.0 }
""",
    "plan.toml",
)
LOAD = StageSpan(
    stage="load", index=0, start_ns=0, end_ns=None, cycles=4000, share=0.4, expected_ns=None
)


def _running(hours_a_day: list[float]) -> RunningHours:
    """Return days that begin with work and end with a pause."""
    at_ns, hours = [0], [0.0]
    for day, worked in enumerate(hours_a_day):
        at_ns += [day * DAY_NS + round(worked * 3.6e12), (day + 1) * DAY_NS]
        hours += [hours[-1] + worked] * 2
    return RunningHours(at_ns=np.array(at_ns), hours=np.array(hours))


def _end(hours_a_day: list[float], stage: StageSpan = LOAD) -> PlanEnd | None:
    span_ns = (0, len(hours_a_day) * DAY_NS)
    return plan_end(PLAN, [stage], _running(hours_a_day), cycle_s=36.0, span_ns=span_ns)


def test_what_is_left_takes_days_like_those_so_far():
    """6,000 cycles of 36 s are 60 h: five days of twelve hours, then the rest of half a day."""
    found = _end([12.0] * 6)
    assert found is not None
    for instant in (found.expected_ns, found.low_ns, found.high_ns):
        assert (instant / DAY_NS - 6.0) == pytest.approx(5.5, abs=0.01)
    assert found.open_stages == ("cool-down",)
    in_rest = replace(LOAD, stage="rest", index=1, start_ns=round(5.75 * DAY_NS))
    rest = _end([12.0] * 6, in_rest)
    assert rest is not None
    assert rest.expected_ns / DAY_NS == pytest.approx(6.25)


def test_unlike_days_make_it_unsure():
    """Wider the less they are alike; never before it would be done without any pause."""
    found = _end([24.0, 0.0, 12.0, 24.0, 0.0, 12.0])
    assert found is not None
    assert (found.expected_ns / DAY_NS - 6.0) == pytest.approx(5.5, abs=0.01)
    assert found.low_ns / DAY_NS - 6.0 == pytest.approx(60.0 / 24.0 + 0.5, abs=0.01)
    assert found.high_ns / DAY_NS - 6.0 > 8.0


@pytest.mark.parametrize("known", [4, 12])
def test_the_interval_holds_as_often_as_it_says(known: int):
    """Days drawn at random; how much they differ is known from few of them as well."""
    dice = np.random.default_rng(4)
    held = 0
    for _ in range(300):
        days = np.clip(dice.normal(14.0, 4.0, 40), 0.0, 24.0)
        told = _end([*days[:known]])
        assert told is not None
        # 60 h of work from then on, by the day's own share; then the rest.
        worked = np.concatenate([[0.0], np.cumsum(days[known:])])
        true_days = float(np.interp(60.0, worked, np.arange(len(worked)))) + known + 0.5
        held += told.low_ns / DAY_NS <= true_days <= told.high_ns / DAY_NS
    assert held / 300 == pytest.approx(0.95, abs=0.04)


def test_where_it_cannot_be_told_nothing_is():
    """Before three days, without a plan, where all stages have ended, or only somebody knows."""
    assert _end([12.0] * 2) is None
    assert _end([0.0] * 6) is None
    assert _end([12.0] * 6, replace(LOAD, end_ns=DAY_NS)) is None
    assert _end([12.0] * 6, replace(LOAD, stage="cool-down", index=2)) is None
    span_ns = (0, 6 * DAY_NS)
    assert plan_end(None, [LOAD], _running([12.0] * 6), cycle_s=36.0, span_ns=span_ns) is None
