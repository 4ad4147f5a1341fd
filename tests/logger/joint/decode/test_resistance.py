"""Resistance sensors against the tables of IEC 60751 and the textbook's thermistor."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.decode.resistance import ntc_degC, ntc_ohm, pt100_degC, pt100_ohm

# IEC 60751:2008 / EN 60751, seen in several pages that name the standard; the equation's values
# computed by code that shares nothing with this project.
PT100 = [
    (-200.0, 18.520080),
    (-100.0, 60.255840),
    (-50.0, 80.306282),
    (-10.0, 96.085879),
    (0.0, 100.0),
    (25.0, 109.734656),
    (100.0, 138.505500),
    (155.0, 159.191206),
    (200.0, 175.856000),
    (400.0, 247.092000),
    (850.0, 390.481125),
]
# The printed table of the standard, two decimals, seen in the same pages.
PRINTED = [
    (-200, 18.52),
    (-190, 22.83),
    (-100, 60.26),
    (-50, 80.31),
    (-10, 96.09),
    (0, 100.00),
    (1, 100.39),
]
# Textbook equation (from memory), 10 kOhm at 25 degC; computed by independent code.
NTC = [
    (3435.0, 0.0, 28704.2904),
    (3435.0, 40.0, 5758.76324),
    (3435.0, 85.0, 1451.34709),
    (3435.0, 120.0, 617.955936),
    (3950.0, 0.0, 33620.6037),
    (3950.0, 40.0, 5301.46686),
    (3950.0, 85.0, 1086.67077),
    (3950.0, 120.0, 407.088777),
]


def test_pt100_of_the_standard():
    """Both directions give the standard's values, the low range with its own term included."""
    degrees, ohms = np.array(PT100).T
    assert pt100_ohm(degrees) == pytest.approx(ohms, abs=5e-7)
    assert pt100_degC(ohms) == pytest.approx(degrees, abs=2e-6)


def test_pt100_of_the_printed_table():
    """Rounded to two decimals the resistances are those that the standard prints."""
    degrees, ohms = np.array(PRINTED).T
    assert np.round(pt100_ohm(degrees), 2).tolist() == ohms.tolist()


def test_pt100_worked_inverse():
    """Worked resistances give their temperatures (computed by independent code)."""
    assert pt100_degC([80.0, 109.7347, 175.0]) == pytest.approx(
        [-50.771137, 25.000113, 197.67306], abs=6e-6
    )


@given(st.lists(st.floats(-200, 850), max_size=50))
def test_pt100_there_and_back(degrees):
    """From degrees to ohm and back is the identity over the whole range."""
    assert pt100_degC(pt100_ohm(degrees)) == pytest.approx(np.array(degrees), abs=1e-9)


@pytest.mark.parametrize("ohm", [0.0, -5.0, 18.4, 391.0, np.inf, -np.inf, np.nan])
def test_pt100_that_cannot_be(ohm):
    """A shorted, an open or a broken sensor is no value, without a warning."""
    assert np.isnan(pt100_degC([ohm, 100.0])).tolist() == [True, False]


def test_pt100_outside_its_equations():
    """No resistance is made up outside -200 to 850 degC."""
    assert np.isnan(pt100_ohm([-200.1, 850.1, np.nan, np.inf])).all()


@pytest.mark.parametrize(("b_kelvin", "degrees", "ohm"), NTC)
def test_ntc_both_ways(b_kelvin, degrees, ohm):
    """Both directions of the thermistor equation give the worked values."""
    assert ntc_ohm(degrees, r25_ohm=10e3, b_K=b_kelvin) == pytest.approx(ohm, rel=1e-8)
    assert ntc_degC(ohm, r25_ohm=10e3, b_K=b_kelvin) == pytest.approx(degrees, abs=1e-6)


def test_ntc_worked_inverse():
    """Worked resistances give their temperatures, with 273.15 and not 273."""
    assert ntc_degC([2e3, 33e3], r25_ohm=10e3, b_K=3435.0) == pytest.approx(
        [73.4133238, -2.99597751], abs=1e-7
    )
    assert ntc_degC(1e3, r25_ohm=10e3, b_K=3950.0) == pytest.approx(87.7196743, abs=1e-7)
    assert ntc_degC(1.452e3, r25_ohm=10e3, b_K=3694.09741) == pytest.approx(80.0, abs=1e-5)


@given(st.lists(st.floats(-60, 250), max_size=50), st.floats(100, 1e6), st.floats(2000, 5000))
def test_ntc_there_and_back(degrees, r25_ohm, b_kelvin):
    """From degrees to ohm and back is the identity for any thermistor."""
    ohm = ntc_ohm(degrees, r25_ohm=r25_ohm, b_K=b_kelvin)
    assert ntc_degC(ohm, r25_ohm=r25_ohm, b_K=b_kelvin) == pytest.approx(
        np.array(degrees), abs=1e-8
    )


@pytest.mark.parametrize("ohm", [0.0, -1.0, 1e-9, np.inf, np.nan])
def test_ntc_that_cannot_be(ohm):
    """A resistance to which no temperature belongs is no value, without a warning."""
    found = ntc_degC([ohm, 10e3], r25_ohm=10e3, b_K=3435.0)
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(25.0)


def test_ntc_below_absolute_zero():
    """No resistance is made up at or below absolute zero, nor one beyond all numbers."""
    assert np.isnan(ntc_ohm([-273.15, -300.0, -273.1, np.nan], r25_ohm=10e3, b_K=3435.0)).all()


def test_shapes_are_kept():
    """A number gives a number, a table a table, nothing gives nothing."""
    assert pt100_degC(100.0).shape == ()
    assert pt100_ohm(np.zeros((2, 3))).shape == (2, 3)
    assert ntc_degC([], r25_ohm=1.0, b_K=3000.0).shape == (0,)


def test_no_resistance_is_a_negative_zero():
    """100 ohm are 0 degC, not -0.0."""
    assert not np.signbit(pt100_degC(np.array([100.0])))[0]
