"""Sensors that lag: found where the readings ask for it, taken as stated, or said to be none."""

import pytest

from logger.joint.thermal.thermal_load import Node
from replay.heat.evaluate import answer_heat
from replay.heat.quantity import QuantityName
from replay.heat.result import Assumption, Caution
from tests.support.heat_joints import simulate_joint
from tests.support.told_heat import fit_simulated

LAG_S = 12.0
COURSE = {"pattern": "random", "winding": True, "hours": 1.0, "gaps": 1}


def told(fit, name):
    """Return a quantity that a fit knows."""
    return next(one for one in fit.quantities if one.name is name)


def test_a_winding_that_is_read_late_is_fitted_with_its_lag():
    """Both time constants hold the truth; what is borne is told of the winding, not the reading."""
    made = simulate_joint(52_001, winding_lag_s=LAG_S, **COURSE)
    fit = fit_simulated(made)
    assert fit.problem.model.lags == (Node.WINDING,)
    lag = told(fit, QuantityName.WINDING_LAG)
    assert lag.low <= LAG_S <= lag.high
    assert lag.factor < 1.5
    winding = told(fit, QuantityName.WINDING_TIME)
    assert winding.low <= made.truth["winding_time"] <= winding.high
    result = answer_heat(fit, limit_degC=110.0)
    assert Caution.READING_LAGS in result.cautions
    assert Assumption.NO_SENSOR_LAG not in result.assumptions
    assert fit.joints[0].nodes == 2


def test_sensors_that_do_not_lag_are_fitted_without():
    """As before there was a choice, and it is said that none was seen."""
    fit = fit_simulated(simulate_joint(52_002, **COURSE))
    assert fit.problem.model.lags == ()
    result = answer_heat(fit, limit_degC=110.0)
    assert Assumption.NO_SENSOR_LAG in result.assumptions
    assert Caution.READING_LAGS not in result.cautions


def test_a_lag_that_the_bench_file_states_is_taken():
    """Of a housing that alone is read: known to 10 % beside it, and said to be stated."""
    made = simulate_joint(52_003, pattern="steps", hours=1.0, gaps=0, housing_lag_s=40.0)
    fit = fit_simulated(made, sensor_lag={"housing_s": 40.0, "winding_s": 5.0})
    assert fit.problem.model.lags == (Node.HOUSING,), "the winding is not read"
    lag = told(fit, QuantityName.HOUSING_LAG)
    assert lag.value == pytest.approx(40.0, rel=0.15)
    assert lag.factor < 1.7
    assert Assumption.LAG_STATED in answer_heat(fit).assumptions
    assert not fit.is_lag_alike


def test_a_lag_stated_as_none_is_not_looked_for():
    """0 s in the bench file: the model has no lag, whatever the readings ask for."""
    made = simulate_joint(52_001, winding_lag_s=LAG_S, **COURSE)
    fit = fit_simulated(made, sensor_lag={"winding_s": 0.0, "housing_s": 0.0})
    assert fit.problem.model.lags == ()
