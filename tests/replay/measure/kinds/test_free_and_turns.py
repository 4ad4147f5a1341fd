"""Turned by hand, and counted turns."""

import math

import numpy as np
import pytest

from logger.errors import InputError
from replay.measure.evaluate import bench_setup, evaluate_measurement
from replay.measure.kinds.free import measure_free
from replay.measure.kinds.turns import measure_turns
from replay.measure.reading import Reading
from replay.measure.setup import BenchSetup, JointFacts, SpanTrace

TURN = 2 * math.pi


def test_friction_is_half_the_difference_of_both_ways():
    """14.2 N against 9.8 N at 250 mm: 0.55 N.m, the joint pulls with 3 N.m."""
    setup = bench_setup(
        "free",
        readings=["arm=250 mm", *["forward=14.2 N", "backward=9.8 N"] * 3],
        divisions={"forward": "0.2 N", "backward": "0.2 N"},
    )
    found = evaluate_measurement("free", setup)
    friction, pull = found.quantities
    assert friction.value == pytest.approx(0.55, rel=0.02)
    assert pull.value == pytest.approx(3.0, rel=0.01)
    low, high = friction.interval
    assert low < 0.55 < high < 0.6


def test_one_reading_each_way_has_no_interval():
    """That is said; a way that is missing is refused."""
    readings = ["arm=250 mm", "forward=14.2 N", "backward=9.8 N"]
    found = measure_free(bench_setup("free", readings=readings))
    assert [one.code for one in found.remarks] == ["no spread"]
    with pytest.raises(InputError, match="'backward'"):
        measure_free(bench_setup("free", readings=readings[:2]))


def test_the_joints_own_torque_is_no_scale():
    """At a constant set-point it is the same both ways."""
    with pytest.raises(InputError, match="at the output"):
        measure_free(BenchSetup(channels={"scale": "torque_Nm"}))


def _span(name: str, begin: float, end: float, *, asked: float = 0.0, at_s: float = 0.0):
    time_s = at_s + np.arange(200) / 20.0
    way = np.interp(time_s - at_s, [0, 1, 9, 10], [begin, begin, end, end])
    series = {"position_rad": (time_s, way)}
    if asked:
        series["position_setpoint_rad"] = (time_s, way * asked)
    return SpanTrace(name=name, recording="r", start_ns=round(at_s * 1e9),
                     end_ns=round((at_s + 10) * 1e9), series=series,
                     grids={"position_rad": 1e-4})  # fmt: skip


def _turned(turns: float) -> Reading:
    return Reading(name="turned", value=turns * TURN, unit="rad", bound=0.03, text="5 turn")


def test_gear_ratio_and_direction():
    """The bench file says 9; five turns were seen where 4.5 were reported: it is 8.1."""
    setup = BenchSetup(
        joint=JointFacts(name="a", gear_ratio=9.0),
        spans=(_span("out", 0, 4.5 * TURN, asked=1.0), _span("back", 4.5 * TURN, 0.01, at_s=20)),
        readings=(_turned(5.0),),
    )
    found = measure_turns(setup)
    ratio, left = found.quantities
    assert ratio.low < 8.1 < ratio.high
    assert left.value == pytest.approx(0.01, abs=1e-3)
    assert found.extra["direction"] == 1
    assert [one.of.name for one in found.unknown] == ["turns_kept"]


@pytest.mark.parametrize(("comes_back", "kept"), [(0.0005, True), (0.0005 - TURN / 9.0, False)])
def test_a_power_cycle(comes_back, kept):
    """A single-turn encoder at the motor comes back by a whole turn of the motor."""
    setup = BenchSetup(
        joint=JointFacts(name="a", gear_ratio=9.0),
        spans=(
            _span("out", 0, 5 * TURN, asked=-1.0),
            _span("before", 0, 0, at_s=20),
            _span("after", comes_back, comes_back, at_s=40),
        ),
    )
    found = measure_turns(setup)
    assert found.extra["turns_kept"] is kept
    assert {one.code for one in found.remarks} == {
        "wrong way",
        "turns kept" if kept else "turns lost",
    }


def test_a_motion_of_less_than_a_turn_is_refused():
    """And so is none."""
    with pytest.raises(InputError, match="at least one"):
        measure_turns(BenchSetup(spans=(_span("out", 0, 1.0),)))
    with pytest.raises(InputError, match="no 'out'"):
        measure_turns(BenchSetup())
