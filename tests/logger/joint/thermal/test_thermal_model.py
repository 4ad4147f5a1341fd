"""The thermal equations against closed forms and published figures.

Figures marked "closed form" were worked out from the textbook formulas by code that shares nothing
with the project and agreed with a stiff differential equation solver to nine digits.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.thermal.thermal_model import (
    TwoNode,
    Winding,
    continuous_current_A,
    exact_step,
    runaway_current_A,
    steady_state,
    step_rise,
    temperatures_after,
)


def network(r1, c1, r2, c2):
    """Return a network of two resistances in K/W and two capacities in J/K."""
    return TwoNode(
        winding_housing_K_per_W=r1,
        winding_J_per_K=c1,
        housing_ambient_K_per_W=r2,
        housing_J_per_K=c2,
    )


ROUND = network(0.8, 60.0, 2.2, 450.0)
SMALL = network(2.0, 10.0, 5.0, 100.0)
# Published: caster motor of a research robot, open-source package `ethercat_hardware` (unit test
# and model source); resistances as there, C = time constant / R.
CASTER = network(1.93, 41.6 / 1.93, 4.65, 1120.0 / 4.65)
COPPER = Winding(resistance_ohm=0.145)


@pytest.mark.parametrize(
    ("joint", "slow_s", "fast_s", "at_10_W"),
    [
        (
            ROUND,
            1127.86739,
            42.1326129,
            {
                10: (1.50594579, 0.0213560879),
                60: (5.89126845, 0.535788516),
                600: (15.9780038, 8.57475904),
                3600: (29.0190759, 21.0608223),
                1e7: (30.0, 22.0),
            },
        ),
        (
            SMALL,
            551.880123,
            18.1198771,
            {
                10: (7.90148852, 0.208397975),
                60: (21.2880918, 3.69027310),
                600: (51.9141983, 32.5696233),
                3600: (69.9211995, 49.9240552),
                1e7: (70.0, 50.0),
            },
        ),
        (
            CASTER,
            1223.75500,
            38.0729803,
            {
                10: (4.12744456, 0.0456776158),
                60: (15.1616363, 1.11198630),
                600: (35.3724340, 17.1067830),
                3600: (63.1781562, 43.9672825),
                1e7: (65.8, 46.5),
            },
        ),
    ],
)
def test_step_response_is_the_closed_form(joint, slow_s, fast_s, at_10_W):  # noqa: N803
    """Rises after a step of 10 W and both time constants equal the closed form's."""
    assert joint.time_constants_s == pytest.approx((slow_s, fast_s), rel=1e-8)
    winding, housing = step_rise(joint, loss_W=10.0, time_s=np.array(list(at_10_W)))
    assert winding == pytest.approx([pair[0] for pair in at_10_W.values()], rel=1e-8)
    assert housing == pytest.approx([pair[1] for pair in at_10_W.values()], rel=1e-8)


def test_transition_repeated_is_the_step_response():
    """Many short exact steps end where one long closed form does."""
    step = exact_step(SMALL, duration_s=0.1)
    rises = (0.0, 0.0)
    for _ in range(6000):
        rises = step.apply_step(*rises, 10.0)
    assert rises == pytest.approx((51.9141983, 32.5696233), rel=1e-8)  # closed form, 600 s


@pytest.mark.parametrize(
    ("time_s", "expected"),
    [
        (10.0, (154.877211, 153.899851)),
        (100.0, (148.600302, 144.875975)),
        (1000.0, (86.9835456, 85.0464624)),
        (10000.0, (30.0364560, 30.0352167)),
    ],
)
def test_cooling_of_the_published_motor(time_s, expected):
    """Cooling from 155 degC in 30 degC air, with the parameters of `ethercat_hardware`."""
    found = temperatures_after(
        CASTER,
        COPPER,
        current_A=0.0,
        ambient_degC=30.0,
        winding_degC=155.0,
        housing_degC=155.0,
        duration_s=time_s,
    )
    assert found == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(
    ("current_A", "settled", "after_600_s"),
    [
        (8.0, (56.8744812, 48.3746196), (40.8700774, 33.4575911)),
        (12.0, (109.729072, 87.1346530), (63.0346853, 45.0823267)),
        (20.0, (586.133, None), (157.085928, 92.3732075)),
    ],
)
def test_copper_feedback_is_exact(current_A, settled, after_600_s):  # noqa: N803
    """With loss rising with temperature: 600 s from ambient, and where it settles (closed form)."""
    found = temperatures_after(
        ROUND,
        COPPER,
        current_A=current_A,
        ambient_degC=25.0,
        winding_degC=25.0,
        housing_degC=25.0,
        duration_s=600.0,
    )
    assert found == pytest.approx(after_600_s, rel=1e-8)
    winding, housing = steady_state(ROUND, COPPER, current_A=current_A, ambient_degC=25.0)
    assert winding == pytest.approx(settled[0], abs=1e-3 if settled[1] is None else 1e-6)
    if settled[1] is not None:
        assert housing == pytest.approx(settled[1], rel=1e-8)


def test_runaway_and_continuous_current():
    """Runaway current, and current for ever at 155 degC in 25 and 40 degC air (closed form)."""
    assert runaway_current_A(ROUND, COPPER) == pytest.approx(24.1857242, rel=1e-8)
    for ambient, current in ((25.0, 13.9734385), (40.0, 13.1425770)):
        found = continuous_current_A(ROUND, COPPER, limit_degC=155.0, ambient_degC=ambient)
        assert found == pytest.approx(current, rel=1e-8)
        winding, _ = steady_state(ROUND, COPPER, current_A=found, ambient_degC=ambient)
        assert winding == pytest.approx(155.0)
    assert continuous_current_A(ROUND, COPPER, limit_degC=20.0, ambient_degC=25.0) == 0.0


def test_beyond_runaway_there_is_no_steady_temperature():
    """At and beyond the runaway current nothing settles, and the winding grows without bound."""
    critical = runaway_current_A(ROUND, COPPER)
    assert steady_state(ROUND, COPPER, current_A=critical * 1.0001, ambient_degC=25.0) == (
        math.inf,
        math.inf,
    )
    winding, _ = temperatures_after(
        ROUND,
        COPPER,
        current_A=critical * 1.05,
        ambient_degC=25.0,
        winding_degC=25.0,
        housing_degC=25.0,
        duration_s=np.array([1e3, 1e4, 1e5]),
    )
    assert np.all(np.diff(winding) > 0)
    assert winding[-1] > 1e5


def test_copper_resistance_and_loss():
    """Standard annealed copper, 0.393 %/K at 20 degC (IEC 60028, read second-hand)."""
    ratio = Winding(resistance_ohm=1.0).resistance_at(np.array([-20.0, 0.0, 75.0, 100.0, 155.0]))
    assert ratio == pytest.approx([0.842800, 0.921400, 1.216150, 1.314400, 1.530550], rel=1e-9)
    assert COPPER.resistance_at(110.0) == pytest.approx(0.1962865, rel=1e-9)
    assert COPPER.loss_W(12.0, 110.0) == pytest.approx(28.2652560, rel=1e-9)


@given(
    duration_s=st.floats(0.01, 5000.0),
    share=st.floats(0.01, 0.99),
    current_A=st.floats(0.0, 30.0),
    housing_degC=st.floats(-20.0, 120.0),
)
def test_two_steps_are_one(duration_s, share, current_A, housing_degC):  # noqa: N803
    """Exact means: any split of a duration ends at the same temperatures."""

    def go(start, seconds):
        return temperatures_after(
            ROUND,
            COPPER,
            current_A=current_A,
            ambient_degC=25.0,
            winding_degC=float(start[0]),
            housing_degC=float(start[1]),
            duration_s=seconds,
        )

    start = (60.0, housing_degC)
    whole = go(start, duration_s)
    split = go(go(start, duration_s * share), duration_s * (1.0 - share))
    assert split == pytest.approx(whole, rel=1e-7, abs=1e-7)
