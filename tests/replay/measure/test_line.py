"""Straight lines against the figures that GUM H.3 and NIST print."""

from importlib.resources import files

import numpy as np
import pytest

from replay.measure.line import fit_line

T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_the_thermometer_of_gum_h_3():
    """JCGM 100:2008, H.3: coefficients, their uncertainties and correlation, and b(30 degC)."""
    line = fit_line(np.array(T), np.array(B), origin=20.0)
    assert f"{line.intercept:.4f} {line.intercept_uncertainty:.4f}" == "-0.1712 0.0029"
    assert f"{line.slope:.5f} {line.slope_uncertainty:.5f}" == "0.00218 0.00067"
    assert f"{line.correlation:.3f} {line.residual:.4f} {line.dof}" == "-0.930 0.0035 9"
    value, uncertainty = line.value_at(30.0)
    assert f"{value:.4f} {uncertainty:.4f}" == "-0.1494 0.0041"


def test_norris_of_nist():
    """NIST StRD, Norris: certified to the last printed digits."""
    text = files("scipy.stats").joinpath("tests/data/nist_linregress/Norris.dat").read_text()
    rows = np.array([line.split() for line in text.splitlines()[60:96]], float)
    line = fit_line(rows[:, 1], rows[:, 0])
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.intercept_uncertainty == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope_uncertainty == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-10)


def test_readings_that_are_rounded_alike_have_their_scatter():
    """Equal rounding puts readings on a line by more than they should be."""
    x = np.arange(5.0)
    assert fit_line(x, 2.0 * x).slope_uncertainty == pytest.approx(0.0, abs=1e-12)
    assert fit_line(x, 2.0 * x, least_scatter=0.1).slope_uncertainty == pytest.approx(
        0.1 / np.sqrt(10.0)
    )


def test_two_points_have_no_scatter():
    """Three points, not all at one x."""
    for x in ([0.0, 1.0], [1.0, 1.0, 1.0]):
        with pytest.raises(ValueError, match="three points"):
            fit_line(np.array(x), np.zeros(len(x)))
