"""How long a load has to go on until K/W is known, and what it says of loads that never tell."""

from dataclasses import replace

import numpy as np

from logger.joint.thermal.thermal_load import LoadSteps
from replay.heat.trace import HeatTrace, SensorPlace
from replay.measure.readiness.heat_needed import needed_heat
from replay.measure.readiness.needed import Needed, needed_text
from tests.support.heat_joints import simulate_joint


def _until(trace: HeatTrace, minutes: float) -> HeatTrace:
    n = round(minutes * 6.0)
    steps, kept = trace.steps, np.arange(len(trace.begin_s)) < n
    return HeatTrace(
        steps=LoadSteps(
            duration_s=steps.duration_s[:n],
            mean_square_A2=steps.mean_square_A2[:n],
            mean_speed_rad_s=steps.mean_speed_rad_s[:n],
            mean_square_speed_rad2_s2=steps.mean_square_speed_rad2_s2[:n],
        ),
        begin_s=trace.begin_s[:n],
        segment=trace.segment[:n],
        sensors=tuple(one.select(kept) for one in trace.sensors),
    )


def _needed(trace: HeatTrace, minutes: float) -> Needed:
    needed = needed_heat(_until(trace, minutes))
    assert needed is not None
    return needed


def test_it_is_known_when_it_was_told_that_it_would_be():
    """Load steps, no room recorded: what 20 min say is left is about what it takes."""
    trace = simulate_joint(2, gaps=0, ambient=False, pattern="random", hours=1.0).trace
    early = _needed(trace, 20)
    assert not early.is_enough
    assert early.left_s is not None
    known_min = next(at for at in range(24, 60, 4) if _needed(trace, at).is_enough)
    assert 0.3 < (known_min - 20) / (early.left_s / 60.0) < 1.7
    assert "more at" in needed_text(early)


def test_one_load_tells_nothing_however_long_it_lasts():
    """Standby and room are no further apart from it; a rest is what tells, ten minutes of it."""
    trace = simulate_joint(3, gaps=0, pattern="cyclic", hours=1.0).trace
    needed = _needed(trace, 60)
    assert not needed.is_enough
    assert needed.how in {"at rest", ""}
    assert needed.left_s is None or needed.left_s >= 600.0


def test_nothing_is_said_without_load_or_temperature():
    """A joint that was never loaded, or shows no temperature of its own."""
    trace = _until(simulate_joint(2, gaps=0, hours=0.5).trace, 30)
    zero = replace(trace.steps, mean_square_A2=np.zeros(len(trace.begin_s)))
    assert needed_heat(replace(trace, steps=zero)) is None
    rooms = tuple(one for one in trace.sensors if one.place is SensorPlace.AMBIENT)
    assert needed_heat(replace(trace, sensors=rooms)) is None
