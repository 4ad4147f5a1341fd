import math

import numpy as np
import pytest

from logger.joint.thermal.thermal_model import temperatures_after
from logger.simulate.arm import ARM
from logger.simulate.warming import (
    AMBIENT_DEGC,
    HEAT_STEP_S,
    HEAT_STEPS,
    Fan,
    ambient_temperatures,
    current_share,
    cycle_temperatures,
    fan_step,
    settled_temperatures,
)


def constant(current_A):  # noqa: N803
    """Return the means of a cycle at a constant current in both joints."""
    return {
        "squared_current_A2": np.full((2, HEAT_STEPS), current_A**2),
        "current_magnitude_A": np.full((2, HEAT_STEPS), abs(current_A)),
    }


@pytest.mark.parametrize("fan_running", [True, False])
def test_constant_current_is_the_closed_form(fan_running):
    """At a constant current the loop over cycles ends where the exact solution does."""
    warmth = ambient_temperatures()
    for _ in range(150):
        within, warmth = cycle_temperatures(warmth, **constant(5.0), fan_running=fan_running)
    for index, joint in enumerate(ARM):
        winding, housing = temperatures_after(
            joint.cooled if fan_running else joint.uncooled,
            joint.winding,
            current_A=5.0,
            ambient_degC=AMBIENT_DEGC,
            winding_degC=AMBIENT_DEGC,
            housing_degC=AMBIENT_DEGC,
            duration_s=150 * HEAT_STEPS * HEAT_STEP_S,
        )
        assert warmth[index].winding_degC == pytest.approx(winding, abs=0.02)
        assert warmth[index].housing_degC == pytest.approx(housing, abs=0.02)
        assert within.housing_degC[index, -1] == warmth[index].housing_degC


def test_settled_joints_stay_settled():
    """Joints said to be warm through do not drift, the drive electronics included."""
    warmth = start = settled_temperatures((5.0, 5.0))
    # The drives' idle estimate counts abs(I) as 0.9 of the RMS value, as in the duty cycle.
    drives = {**constant(5.0), "current_magnitude_A": np.full((2, HEAT_STEPS), 4.5)}
    for _ in range(200):
        _, warmth = cycle_temperatures(warmth, **drives, fan_running=True)
    for before, now in zip(start, warmth, strict=True):
        assert now.winding_degC == pytest.approx(before.winding_degC, abs=0.01)
        assert now.housing_degC == pytest.approx(before.housing_degC, abs=0.01)
        assert now.drive_degC == pytest.approx(before.drive_degC, abs=0.01)


def test_fold_back_by_whole_degrees():
    """Full current to 85 degC, 90 % from 95 on, steps of one degree between."""
    assert [current_share(t) for t in (20.0, 85.4, 90.0, 95.0, 120.0)] == pytest.approx(
        [1.0, 1.0, 0.95, 0.9, 0.9]
    )
    assert current_share(86.6) == current_share(87.4)


def test_the_fan_fails_is_noticed_and_fails_again():
    """It fails at its time, comes back some while after the housing is hot, and fails anew."""
    fan = Fan(fails_s=100.0, noticed_after_s=60.0, again_after_s=500.0)
    fan = fan_step(fan, now_s=96.0, housing_degC=60.0)
    assert fan.running
    fan = fan_step(fan, now_s=104.0, housing_degC=60.0)
    assert not fan.running
    assert not fan_step(fan, now_s=9e9, housing_degC=79.9).running
    fan = fan_step(fan, now_s=200.0, housing_degC=80.1)
    fan = fan_step(fan, now_s=208.0, housing_degC=81.0)
    assert not fan_step(fan, now_s=256.0, housing_degC=82.0).running
    fan = fan_step(fan, now_s=264.0, housing_degC=82.0)
    assert fan.running
    assert fan.fails_s == 764.0
    assert not fan_step(fan, now_s=768.0, housing_degC=65.0).running


def test_a_fan_that_fails_once():
    """Without a next failure planned, it runs on for ever."""
    fan = fan_step(
        Fan(fails_s=1.0, noticed_after_s=1.0, back_s=5.0, running=False), now_s=6.0, housing_degC=80
    )
    assert fan.running
    assert math.isinf(fan.fails_s)
