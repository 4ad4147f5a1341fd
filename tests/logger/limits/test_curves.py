"""Time-current and thermal curves against worked numbers that share no code with ours.

Formulas after IEC 60255-151 and IEC 60255-149, second hand; the reset times of D to F, the hot
curve and the ambient factor from memory. Numbers: computed outside this project.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.limits.curves import (
    CURVES,
    ambient_factor,
    image_after,
    inverse_operate_s,
    inverse_reset_s,
    thermal_cooling_s,
    thermal_operate_s,
)


@pytest.mark.parametrize(
    ("letter", "multiple", "tms", "seconds"),
    [
        ("A", 2, 1.0, 10.0290270), ("A", 5, 0.1, 0.427972007), ("A", 10, 0.1, 0.297059862),
        ("A", 20, 1.0, 2.26735637), ("B", 2, 0.5, 6.75), ("B", 3, 0.5, 3.375), ("B", 10, 1.0, 1.5),
        ("C", 1.5, 1.0, 64.0), ("C", 4, 1.0, 5.33333333), ("C", 10, 0.2, 0.161616162),
        ("D", 2, 1.0, 3.80324923), ("D", 10, 0.5, 0.603377961), ("E", 3, 1.0, 2.94225),
        ("E", 10, 1.0, 0.689080808), ("F", 2, 1.0, 9.5217), ("F", 5, 0.3, 0.38901),
    ],
)  # fmt: skip
def test_inverse_time(letter: str, multiple: float, tms: float, seconds: float):
    """IEC 60255-151, curves A to F (coefficients confirmed second hand)."""
    assert inverse_operate_s(CURVES[letter], multiple, tms=tms) == pytest.approx(seconds, rel=1e-8)


@pytest.mark.parametrize(
    ("letter", "multiple", "seconds"),
    [("D", 0, 4.85), ("D", 0.5, 6.46666667), ("E", 0.5, 28.8), ("F", 0.9, 153.157895)],
)
def test_full_reset(letter: str, multiple: float, seconds: float):
    """Dependent reset of the curves that have one (t_r from memory)."""
    assert inverse_reset_s(CURVES[letter], multiple) == pytest.approx(seconds, rel=1e-8)


@pytest.mark.parametrize("letter", "ABC")
def test_a_reset_that_is_the_makers_choice(letter: str):
    """There is no number to give."""
    with pytest.raises(ValueError, match="no reset time"):
        inverse_reset_s(CURVES[letter], 0.5)


@given(letter=st.sampled_from(list(CURVES)), multiple=st.floats(0, 100))
def test_the_law_of_a_curve(letter: str, multiple: float):
    """Never at or below the setting, finite above, flat beyond twenty times, the sign unheeded."""
    found = float(inverse_operate_s(CURVES[letter], multiple))
    assert np.isinf(found) == (multiple <= 1)
    assert found == float(inverse_operate_s(CURVES[letter], -multiple))
    if multiple >= 20:
        assert found == float(inverse_operate_s(CURVES[letter], 20))
    elif multiple > 1:
        assert found > float(inverse_operate_s(CURVES[letter], 20.0))


@pytest.mark.parametrize(
    ("current", "preload", "carried", "tau_s", "seconds"),
    [
        (20, 0, 10.5, 600, 193.467639), (20, 8, 10.5, 600, 88.8556066),
        (20, 10, 10.5, 600, 20.8583955), (7.5, 0, 5.0, 30, 17.6335999),
        (30, 0, 5.0, 30, 0.845126309), (3.6, 0, 3.2 * 1.1, 1800, 5624.43950),
    ],
)  # fmt: skip
def test_thermal(current: float, preload: float, carried: float, tau_s: float, seconds: float):
    """IEC 60255-149, cold and hot (the hot curve from memory; it follows from the image)."""
    found = thermal_operate_s(current, carried=carried, tau_s=tau_s, level=(preload / carried) ** 2)
    assert found == pytest.approx(seconds, rel=1e-8)


def test_what_is_carried_for_ever():
    """10.4 A of 10.5 A: never, its image ends at its square; above, a full image has no time."""
    assert np.isinf(thermal_operate_s(10.4, carried=10.5, tau_s=600))
    assert image_after(0, 10.4, 1e9, carried=10.5, tau_s=600) == pytest.approx(0.981043084)
    # However warm: k * I_B and less is carried for ever, also behind itself.
    found = thermal_operate_s([0, 10.5, 10.6, 20], carried=10.5, tau_s=600, level=1.0)
    assert found.tolist() == [np.inf, np.inf, 0.0, 0.0]


def test_an_exact_profile():
    """120 s at 15 A, 60 s at rest, 30 s at 30 A, from cold."""
    level = 0.0
    found = []
    for current, span_s in ((15, 120), (0, 60), (30, 30)):
        level = float(image_after(level, current, span_s, carried=10.5, tau_s=600))
        found.append(level)
    assert found == pytest.approx([0.369937239, 0.334733056, 0.716535079], rel=1e-8)


@given(current=st.floats(11, 100), level=st.floats(0, 0.99), tau_s=st.floats(1, 5000))
def test_the_curve_is_where_the_image_gets_full(current: float, level: float, tau_s: float):
    """Both say the same: after that time the image is 1."""
    span_s = float(thermal_operate_s(current, carried=10.5, tau_s=tau_s, level=level))
    full = image_after(level, current, span_s, carried=10.5, tau_s=tau_s)
    assert full == pytest.approx(1.0, rel=1e-9)


def test_cooling():
    """From one level to another, and the level after a time, without current."""
    assert thermal_cooling_s(1.0, 0.9, tau_s=600) == pytest.approx(63.2163094, rel=1e-8)
    assert thermal_cooling_s(1.0, 0.5, tau_s=1200) == pytest.approx(831.776617, rel=1e-8)
    assert image_after(0.8, 0, 300, carried=1, tau_s=600) == pytest.approx(0.485224528, rel=1e-8)
    assert thermal_cooling_s(0.5, 0.9, tau_s=600) == 0


def test_another_ambient():
    """155 degC winding at 25 and 60 degC (from memory)."""
    assert ambient_factor([25, 60], most_degC=155).tolist() == pytest.approx(
        [0.884615385, 1.21052632]
    )


def test_down_to_nothing_and_past_the_most():
    """0 is never reached; at the most and above nothing is carried, and nothing ever cools."""
    assert thermal_cooling_s([0.5, 0.0, 0.0], [0.0, 0.0, 0.5], tau_s=600).tolist() == [
        np.inf,
        0.0,
        0.0,
    ]
    assert ambient_factor([155, 200], most_degC=155).tolist() == [np.inf, np.inf]
    with pytest.raises(ValueError, match="more than 40"):
        ambient_factor(25, most_degC=40)


def test_no_value_is_no_rest():
    """NaN in, NaN out: a missing reading must not count as a current that lasts for ever."""
    assert np.isnan(inverse_operate_s(CURVES["A"], np.nan))
    assert np.isnan(thermal_operate_s(np.nan, carried=10, tau_s=600))
    assert np.isnan(thermal_operate_s(20, carried=10, tau_s=600, level=np.nan))
    assert np.isnan(ambient_factor(np.nan, most_degC=155))
