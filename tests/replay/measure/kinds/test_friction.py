"""Friction from passes both ways: gravity, ripple, speeds, and a gear behind its housing."""

import numpy as np
import pytest

from logger.errors import InputError
from replay.measure.kinds.friction import lagged_coefficient, measure_friction
from replay.measure.setup import BenchSetup
from tests.support.benches.friction_bench import draw_friction_bench, draw_warm_bench


def test_passes_are_found_and_gravity_taken_off():
    """Five pairs over a third of a turn under 2 N.m of gravity."""
    bench, truth = draw_friction_bench(np.random.default_rng(1), gravity_Nm=2.0, turn=1 / 3)
    found = measure_friction(bench)
    assert len(found.picture["friction"]) == 5
    first = found.quantities[0]
    assert first.value == pytest.approx(truth[1.0], rel=0.12)
    assert first.at["speed_rad_s"] == pytest.approx(1.0, rel=0.02)
    middle = found.quantity_named("friction_asymmetry")
    assert middle is not None
    assert middle.value > 0.5
    assert {one.of.name for one in found.unknown} >= {"friction_viscous", "friction_per_kelvin"}


def test_three_speeds_tell_what_grows_with_speed():
    """Coulomb and viscous friction, one group a speed."""
    bench, _ = draw_friction_bench(np.random.default_rng(2), speeds=(0.5, 1.0, 2.0))
    found = measure_friction(bench)
    names = [one.of.name for one in found.quantities]
    assert names.count("friction_torque") == 3
    viscous = found.quantity_named("friction_viscous")
    assert viscous is not None
    assert 0.02 < viscous.value < 0.2


def test_one_pair_has_no_interval():
    """The ripple of one pass does not show in its own scatter."""
    bench, _ = draw_friction_bench(np.random.default_rng(1), pairs=1)
    found = measure_friction(bench)
    assert not found.quantities[0].has_interval
    assert [one.code for one in found.remarks] == ["one pair"]


def test_a_way_without_its_way_back_is_refused():
    """Gravity would be taken for friction."""
    bench, _ = draw_friction_bench(np.random.default_rng(1), pairs=1)
    span = bench.spans[0]
    time_s = span.series["position_rad"][0]
    cut = time_s < 0.45 * time_s[-1]
    series = {name: (own[cut], values[cut]) for name, (own, values) in span.series.items()}
    one_way = type(span)(name="plus", recording="r", start_ns=0, end_ns=1, series=series)
    with pytest.raises(InputError, match="way back"):
        measure_friction(BenchSetup(spans=(one_way,)))
    lacking = {"position_rad": series["position_rad"]}
    bare = type(span)(name="plus", recording="r", start_ns=0, end_ns=1, series=lacking)
    with pytest.raises(InputError, match="neither torque_Nm nor current_A"):
        measure_friction(BenchSetup(spans=(bare,)))


def test_a_gear_behind_its_housing_does_not_bend_the_coefficient():
    """Twelve minutes behind: averaged over, the interval holds the truth."""
    given, per_kelvin = draw_warm_bench(np.random.default_rng(5), lag_s=720.0)
    drawn, value = lagged_coefficient(*given)
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert low < per_kelvin < high
    assert value == pytest.approx(per_kelvin, rel=0.15)


@pytest.mark.study
@pytest.mark.parametrize(
    ("settings", "width"),
    [({}, 0.11), ({"pairs": 8}, 0.08), ({"gravity_Nm": 2.0, "turn": 1 / 3}, 0.11)],
)
def test_coverage_of_400_benches(settings, width):
    """Student over pairs of passes: 92 to 98 of 100."""
    dice = np.random.default_rng(3)
    held, widths = 0, []
    for _ in range(400):
        bench, truth = draw_friction_bench(dice, **settings)
        first = measure_friction(bench).quantities[0]
        low, high = first.interval
        held += low <= truth[1.0] <= high
        widths.append((high - low) / truth[1.0])
    assert 0.92 <= held / 400 <= 0.985
    assert np.mean(widths) < width


@pytest.mark.study
@pytest.mark.parametrize("lag_s", [0.0, 720.0, 1800.0])
def test_coverage_of_the_coefficient_over_400_benches(lag_s):
    """A gear up to half an hour behind: 92 to 98 of 100, and hardly biased."""
    dice = np.random.default_rng(3)
    held, off = 0, []
    for _ in range(400):
        given, true = draw_warm_bench(dice, lag_s=lag_s)
        drawn, value = lagged_coefficient(*given, n=4000)
        low, high = np.quantile(drawn, [0.025, 0.975])
        held += low <= true <= high
        off.append(value / true - 1)
    assert 0.92 <= held / 400 <= 0.99
    assert abs(np.mean(off)) < 0.02
