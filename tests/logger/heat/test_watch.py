"""What is told of a joint live: states of a forecast, and nothing of a joint that is silent."""

import numpy as np

from logger.heat.needed_step import needed_step
from logger.heat.watch import HeatState, HeatWatch
from logger.joint.batch import ReadingBatch
from tests.support.observed_joint import HOLD_NS, SECOND_NS, observed_joint

HOUSING = "temperature_housing_degC"


def _watched(run, seconds, *, until_s, hold_ns=HOLD_NS):
    """Return what is told at each second, the readings ending before `until_s`."""
    watch = HeatWatch(run.fitted, hold_ns)
    told = []
    for second in range(until_s):
        if second < seconds:
            row = slice(second, second + 1)
            columns = {"current_A": run.current_A, **run.readings}
            watch.add_readings(
                ReadingBatch(
                    joint="a",
                    time_ns=np.array([second * SECOND_NS]),
                    position_segment=np.full(1, -1, np.int32),
                    columns={name: values[row] for name, values in columns.items()},
                )
            )
        told.append(watch.advance((second + 1) * SECOND_NS, {HOUSING: (60.0,)}, forecasts=True))
    return told


def test_it_starts_is_forecast_and_falls_silent():
    """A minute of data, then a forecast every ten seconds; behind a silence no estimate is kept."""
    run = observed_joint(2, np.full(150, 6.0))
    told = _watched(run, 150, until_s=240)
    forecasts = [one for _, one in told if one is not None]
    states = [one.state for one in forecasts]
    assert states[:5] == [HeatState.STARTING] * 5
    assert states[7:] == [HeatState.FORECAST] * (len(states) - 7)
    assert {one.channel for one in forecasts[-1].channels} == set(run.fitted.sensors)
    assert told[149][0].keys() == {"winding", "housing", "ambient"}
    assert told[-1][0] == {}


def test_a_model_that_leaves_too_much_open_says_so():
    """Rises known to a factor of two only: no band is shown that says nothing."""
    run = observed_joint(2, np.full(150, 9.0), spread=0.7)
    _, last = _watched(run, 150, until_s=150)[-1]
    assert last.state is HeatState.WIDE
    assert last.channels == ()


def test_the_step_that_is_needed_warms_the_sensor():
    """A round load, the least that is seen within five minutes."""
    run = observed_joint(2, np.full(10, 1.0))
    ampere, torque = needed_step(run.fitted, None), needed_step(run.fitted, 2.0)
    assert ampere.load in {5.0, 10.0}
    assert torque.load >= ampere.load
    assert 1 <= ampere.minutes <= 5
