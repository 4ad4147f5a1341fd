"""By what the time to a limit is told: a present forecast of the model, else the trend."""

import math
from datetime import UTC
from types import SimpleNamespace
from typing import Any

import pytest

from dashboard.live.joint_facts import JointFacts
from dashboard.live.limit_time import limit_time
from dashboard.live.snapshot import SlowValues
from logger.heat.watch import HeatState
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.limits.levels import LimitLevel
from replay.forecast import JointForecast

AT_NS = 1_795_000_000_000_000_000
HOUSING = "temperature_housing_degC"
MODEL = ThermalSettings(housing_rise=0.3, housing_time_s=1000.0)
TRIP = LimitLevel(severity="trip", channel=HOUSING, is_rising=True, pick_up=80.0, drop_off=None)


def named_model(
    *,
    thermal: ThermalSettings | None = MODEL,
    forecast_age_s: float | None = 5.0,
    temperature: float = 60.0,
    is_stale: bool = False,
    levels: tuple[LimitLevel, ...] = (TRIP,),
) -> str | None:
    """Return the model that stands beside the time to a joint's limit."""
    forecast = None
    if forecast_age_s is not None:
        forecast = JointForecast(
            time_ns=AT_NS - round(forecast_age_s * 1e9),
            state=HeatState.STARTING,
            since_ns=None,
            judged=0,
            held=0,
            channels=(),
        )
    facts = JointFacts(
        joint="shoulder",
        age_s=0.1,
        is_stale=is_stale,
        has_stopped=False,
        channel=HOUSING,
        temperature=temperature,
        heat_age_s=0.1,
        is_heat_known=True,
        levels=levels,
        alerts=(),
        slow=SlowValues(rms_torque_Nm=3.0, temperature_trend=None, forecast=forecast),
        limit_in_s=math.inf,
        has_fault=False,
    )
    settings = JointSettings(name="shoulder", layout="l", thermal=thermal)
    bench: Any = SimpleNamespace(bench=SimpleNamespace(joint_named=lambda _: settings))
    return limit_time(bench, facts, now_ns=AT_NS, zone=UTC)[0].get("model")


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ({}, "model: bench file"),
        ({"levels": ()}, "model: bench file"),
        ({"forecast_age_s": 31.0}, "straight trend: no forecast by its model"),
        ({"forecast_age_s": None}, "straight trend: no forecast by its model"),
        ({"thermal": None, "forecast_age_s": None}, "no model: straight trend"),
    ],
)
def test_what_is_told_by_is_named(case: dict[str, Any], name: str):
    """The model while it forecasts; a trend as such, whether or not there is a model."""
    assert named_model(**case) == name


@pytest.mark.parametrize(
    "case",
    [
        {"is_stale": True},
        {"temperature": 81.0},
        {"temperature": math.nan},
        {"thermal": None, "forecast_age_s": None, "levels": ()},
    ],
)
def test_where_nothing_is_forecast_no_model_is_named(case: dict[str, Any]):
    """A joint that is silent, has reached its limits, reports no temperature or has no limit."""
    assert named_model(**case) is None
