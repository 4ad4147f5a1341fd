"""What is read off: repeats, divisions and what was stated."""

import numpy as np
import pytest

from logger.errors import InputError
from replay.measure.evaluate import bench_setup, evaluate_measurement
from replay.measure.interval import IntervalBasis


def _measured(*readings: str, **divisions: str):
    setup = bench_setup("value", readings=readings, divisions=divisions)
    return evaluate_measurement("value", setup)


def test_repeats_have_students_interval():
    """N = 3: t is 4.30."""
    mass = _measured("mass=1 kg", "mass=1.1 kg", "mass=1.2 kg").quantities[0]
    assert (mass.value, mass.of.unit, mass.dof) == (pytest.approx(1.1), "kg", pytest.approx(2))
    low, high = mass.interval
    assert (high - low) / 2 == pytest.approx(4.303 * 0.1 / np.sqrt(3), rel=1e-3)


def test_bounds_and_certificates():
    """+- alone is rectangular, 95 % of it within 0.95; with k it is a normal distribution."""
    low, high = _measured("mass=612 g +- 2 g").quantities[0].interval
    assert (high - low) / 2 == pytest.approx(0.0019, rel=0.02)
    low, high = _measured("mass=612 g +- 2 g (k=2)").quantities[0].interval
    assert (high - low) / 2 == pytest.approx(1.96 * 0.001, rel=1e-3)


def test_three_equal_readings_are_known_to_their_division_and_no_better():
    """Their scatter is nought, their uncertainty is not."""
    mass = _measured("mass=612 g", "mass=612 g", "mass=612 g", mass="1 g").quantities[0]
    low, high = mass.interval
    assert mass.basis is IntervalBasis.ROUNDING
    assert 0.35e-3 < (high - low) / 2 < 0.8e-3


def test_one_reading_alone_has_no_interval():
    """That is said, for each name by itself."""
    found = _measured("mass=612 g", "winding=145 mohm +- 1 mohm")
    assert [one.has_interval for one in found.quantities] == [False, True]
    assert [one.code for one in found.remarks] == ["no spread"]


def test_equal_readings_without_a_division_have_no_interval():
    """No scatter is no knowledge: an interval of nothing would be a lie."""
    assert not _measured("mass=1 kg", "mass=1 kg").quantities[0].has_interval
    tips = ["tip=12 mm at 10 N", "tip=9 mm at -10 N"] * 2
    for kind, readings in (
        ("backlash", ["arm=344 mm", *tips]),
        ("backlash", ["arm=344 mm", "play=1 mm", "play=1 mm"]),
        ("free", ["arm=1 m", *["forward=3 N", "backward=2 N"] * 2]),
        ("torque", ["arm=1 m", "scale=3 kg", "scale=3 kg"]),
    ):
        found = evaluate_measurement(kind, bench_setup(kind, readings=readings))
        assert not found.quantities[0].has_interval, readings


def test_unlike_readings_of_one_name_are_refused():
    """A mass is no length."""
    with pytest.raises(InputError, match="one kind"):
        _measured("mass=1 kg", "mass=1 m")
    with pytest.raises(InputError, match="found none"):
        _measured()
