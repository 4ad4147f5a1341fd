"""Play from an arm's tip: known figures, what rounding leaves open, coverage over many benches."""

import numpy as np
import pytest

from logger.errors import InputError
from replay.measure.evaluate import bench_setup, evaluate_measurement, expect_measurement
from replay.measure.interval import IntervalBasis
from replay.measure.kinds.tip_backlash import measure_tip_backlash
from tests.support.benches.tip_bench import draw_tip_bench, gum_width_arcmin


def _measured(*readings: str, **divisions: str):
    setup = bench_setup("backlash", readings=readings, divisions=divisions)
    return evaluate_measurement("backlash", setup)


@pytest.mark.parametrize(
    ("arm", "play", "arcmin"),
    [
        ("344 mm", "1 mm", 9.99),
        ("500 mm", "0.1 mm", 0.687549345),
        ("750 mm", "1.2 mm", 5.50039014),
        ("1 m", "0.290888217 mm", 1.0),
        ("600 mm", "0.523598909 mm", 3.0),
        ("350 mm", "2.03624043 mm", 20.0),
    ],
)
def test_an_angle_of_a_length_at_an_arm(arm, play, arcmin):
    """Worked by hand: atan(play / arm)."""
    found = _measured(f"arm={arm}", f"play={play}")
    assert found.quantities[0].value == pytest.approx(arcmin, rel=5e-4)
    assert found.extra["either_side_arcmin"] == pytest.approx(arcmin / 2, rel=5e-4)


def test_one_reading_without_a_division_has_no_interval():
    """That is said, and what to do about it."""
    found = _measured("arm=344 mm", "play=1 mm")
    assert found.quantities[0].basis is IntervalBasis.NONE
    assert [one.code for one in found.remarks] == ["no spread", "read again"]
    assert [one.of.name for one in found.unknown] == ["bending"]


def test_a_millimetre_read_once_with_a_millimetre_ruler_is_known_to_eight():
    """Two rounded readings: a triangle of +-1 mm, of which 95 % lie within 0.776 mm."""
    low, high = _measured("arm=344 mm", "play=1 mm", play="1 mm").quantities[0].interval
    assert (high - low) / 2 == pytest.approx(9.99 * 0.776, rel=0.02)


def test_five_equal_readings_are_one():
    """Rounding repeats: the interval does not shrink by the root of five."""
    sides = [f"tip={12 if force > 0 else 9} mm at {force:+d} N" for force in (10, -10)]
    often = _measured("arm=344 mm", *sides * 5, tip="1 mm").quantities[0].interval
    triangle = 2 * 9.99 * 0.776
    assert np.ptp(often) > 0.7 * triangle > 1.5 * triangle / np.sqrt(5)


def test_bending_is_taken_off_by_a_second_load():
    """Exact readings: 10 arcmin of play and 0.02 mm/N of bending come out apart."""
    half = 0.5e3 * 0.344 * np.tan(10 * np.pi / 10800)
    tips = [
        f"tip={side * (half + 0.02 * force):.9f} mm at {side * force} N"
        for force in (10, 30)
        for side in (1, -1)
    ]
    found = _measured("arm=344 mm", *tips, tip="0.001 mm")
    assert found.quantities[0].value == pytest.approx(10.0, abs=1e-3)
    bending = found.quantity_named("bending")
    assert bending is not None
    assert bending.value == pytest.approx(0.02, rel=1e-3)
    one_load = _measured("arm=344 mm", *tips[:2], tip="0.001 mm")
    assert one_load.quantities[0].value == pytest.approx(10.0 + 4.0, abs=0.1)
    assert [one.code for one in one_load.assumptions] == ["bending in it", "arm as typed"]


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (["play=1 mm"], "'arm'"),
        (["arm=344 mm"], "'tip'"),
        (["arm=344 mm", "arm=345 mm", "play=1 mm"], "2 readings 'arm'"),
        (["arm=344 mm", "play=1 mm", "tip=2 mm at 3 N"], "expected one of them"),
        (["arm=344 mm", "tip=12 mm"], "without its force"),
        (["arm=344 mm", "tip=12 mm at 10 N"], "none at -10 N"),
    ],
)
def test_what_is_missing_is_named(readings, words):
    """One sentence each."""
    with pytest.raises(InputError, match=words) as refused:
        _measured(*readings)
    assert "\n" not in str(refused.value)


def test_interchanged_directions_are_refused():
    """A tip that moves against the force is no play."""
    tips = ["tip=9 mm at +10 N", "tip=19 mm at -10 N"]
    with pytest.raises(InputError, match="interchanged"):
        _measured("arm=344 mm", *tips, tip="0.1 mm")


def test_before_the_first_step_it_says_how_narrow_it_can_get():
    """A ruler of 1 mm at 344 mm cannot tell 10 arcmin; a longer arm and a dial gauge could."""
    setup = bench_setup("backlash", readings=["arm=344 mm"], divisions={"tip": "1 mm"})
    expected = expect_measurement("backlash", setup)
    assert expected is not None
    assert 5.0 < expected.half_width < 11.0
    assert [one.half_width for one in expected.narrower] == sorted(
        one.half_width for one in expected.narrower
    )
    dial = next(one for one in expected.narrower if "dial" in one.words)
    assert dial.half_width < 0.5


def _coverage(benches: int, **settings: float) -> tuple[float, float]:
    dice = np.random.default_rng(3)
    held, widths = 0, []
    for _ in range(benches):
        bench = draw_tip_bench(dice, **settings)
        first = measure_tip_backlash(bench.setup).quantities[0]
        low, high = first.interval
        held += low <= bench.play_arcmin <= high
        widths.append(high - low)
    return held / benches, float(np.mean(widths))


def test_intervals_hold_the_truth_and_are_narrower_than_rectangular_divisions():
    """60 benches; the study of 400 a case is slow."""
    cover, width = _coverage(60, division_mm=0.5)
    assert cover >= 0.86
    assert width <= 0.85 * gum_width_arcmin(0.5)


@pytest.mark.study
@pytest.mark.parametrize(
    ("settings", "most"),
    [
        ({"division_mm": 0.5}, 0.985),
        ({"division_mm": 1.0}, 1.0),
        ({"division_mm": 1.0, "reader_mm": 0.05}, 1.0),
        ({"division_mm": 0.01, "reader_mm": 0.02}, 0.985),
        ({"division_mm": 0.5, "play_arcmin": 2.0}, 1.0),
    ],
)
def test_coverage_of_400_benches(settings, most):
    """At least 92 of 100, up to all where one division rules; never as wide as rectangles."""
    cover, width = _coverage(400, **settings)
    assert 0.92 <= cover <= most
    assert width <= 0.85 * gum_width_arcmin(settings["division_mm"])
