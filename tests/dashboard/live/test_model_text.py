"""What a joint's row says of where it goes by its model: each answer in its words."""

import dataclasses
import datetime
import math
from datetime import UTC

import numpy as np
import pytest

from dashboard.live.model_text import model_name, model_remarks, model_text, trend_name
from logger.heat.watch import HeatState
from logger.joint.bench.bench import JointSettings, TorqueSettings
from logger.joint.bench.thermal_settings import ModelFinding, ThermalSettings
from logger.limits.levels import LimitLevel
from replay.forecast import ChannelForecast, JointForecast, LevelTime

HOUSING = "temperature_housing_degC"
AT_NS = 1_795_000_000_000_000_000
JOINT = JointSettings(
    name="shoulder",
    layout="l",
    torque=TorqueSettings(per_ampere=1.5),
    thermal=ThermalSettings(
        housing_rise=0.3,
        housing_time_s=1000.0,
        source="20260101T093000Z-duty",
        fitted=datetime.date(2026, 1, 2),
    ),
)
WARNING, TRIP = (
    LimitLevel(severity=name, channel=HOUSING, is_rising=True, pick_up=at, drop_off=None)
    for name, at in (("warning", 70.0), ("trip", 80.0))
)


def _time(level, soonest_s, median_s, latest_s, *, probability=0.9, is_rising=True):
    return LevelTime(
        level_degC=level,
        is_rising=is_rising,
        probability=probability,
        soonest_s=soonest_s,
        median_s=median_s,
        latest_s=latest_s,
    )


def _forecast(*levels, settled=(83.0, 86.0, 90.0), state=HeatState.FORECAST, **more):
    one = ChannelForecast(
        channel=HOUSING,
        settled_degC=settled,
        load="holds",
        period_s=math.nan,
        levels=levels,
        ahead_s=np.array([0.0]),
        course_degC=np.zeros((1, 3)),
    )
    channels = (one,) if state is HeatState.FORECAST else ()
    return JointForecast(
        time_ns=AT_NS, state=state, judged=0, held=0, channels=channels,
        **{"since_ns": None, **more},
    )  # fmt: skip


def _words(forecast, levels=(WARNING, TRIP), *, after_s=0.0):
    now_ns = AT_NS + round(after_s * 1e9)
    return model_text(forecast, HOUSING, levels, JOINT, now_ns=now_ns, zone=UTC)


def test_both_limits_with_their_bands():
    """The next one large, the one above it in the line below; seconds below a minute."""
    forecast = _forecast(_time(70.0, 20.0, 25.0, 40.0), _time(80.0, 150.0, 192.0, 396.0))
    words, reaches = _words(forecast)
    assert words == {
        "value": "25",
        "detail": "s (20 to 40)",
        "label": "until it reaches warning; trip in 3.2 min (2.5 to 6.6), if it goes on like this",
    }
    assert reaches == 70.0
    words, _ = _words(forecast, after_s=10.0)
    assert (words["value"], words["detail"]) == ("15", "s (10 to 30)")


def test_a_band_that_ends_beyond_the_hour_says_so():
    """Later than the hour is not a number."""
    words, _ = _words(_forecast(_time(80.0, 600.0, 1800.0, math.inf)), (TRIP,))
    assert words["detail"] == "min (10 or later)"


def test_it_may_not_reach_it():
    """Between a twentieth and a half: how likely, and where it settles."""
    never = _time(70.0, 900.0, math.inf, math.inf, probability=0.12)
    words, reaches = _words(_forecast(never, settled=(64.0, 67.0, 71.0)))
    assert words == {
        "value": "may not",
        "detail": "(12 % that it does)",
        "label": "reach warning within the hour; settles at 67 (64 to 71), if it goes on like this",
    }
    assert reaches is None


def test_it_settles_below():
    """Where, and that no limit is reached."""
    none = _time(70.0, math.inf, math.inf, math.inf, probability=0.0)
    words, _ = _words(_forecast(none, settled=(58.0, 61.0, 64.0)))
    assert words["value"] == "settles at 61"
    assert words["detail"] == "°C (58 to 64)"
    assert words["label"] == "warning not within the hour"


def test_it_cools_and_may_be_touched():
    """When the metal may be touched for ten minutes."""
    touch = _time(48.0, 1080.0, 1260.0, 1500.0, is_rising=False)
    words, _ = _words(_forecast(touch, settled=(36.0, 38.0, 40.0)))
    assert words["value"] == "cools"
    assert words["label"] == "touchable (48 °C) in 21 min (18 to 25); settles at 38 (36 to 40)"


@pytest.mark.parametrize(
    ("state", "value", "part"),
    [
        (HeatState.LEFT, "not known", "left its model since"),
        (HeatState.WIDE, "not known yet", "needs a load step of 10 N·m for 5 min"),
        (HeatState.STARTING, "–", "a minute of data"),
    ],
)
def test_why_nothing_is_forecast(state, value, part):
    """The model was left, leaves open too much, or has seen too little."""
    words, reaches = _words(_forecast(state=state, since_ns=AT_NS))
    assert words["value"] == value
    assert part in words["label"]
    assert reaches is None


def test_an_old_forecast_is_none():
    """After half a minute it is of another instant."""
    assert _forecast().is_present(AT_NS + 29 * 10**9)
    assert not _forecast().is_present(AT_NS + 31 * 10**9)


def test_the_model_is_named():
    """A finding by its recording and date, the bench file, or the trend where none tells."""
    assert model_name(JOINT) == "model: bench file, 2026-01-02"
    undated = JOINT.thermal.model_copy(update={"fitted": None})
    assert model_name(JOINT.model_copy(update={"thermal": undated})) == "model: bench file"
    finding = ModelFinding(
        id="2" * 32,
        recording="20251120T093000Z-day-3",
        name="Day 3",
        date=datetime.date(2025, 11, 20),
    )
    taken = JOINT.thermal.model_copy(update={"finding": finding})
    named = model_name(JOINT.model_copy(update={"thermal": taken}))
    assert named == "model: finding of Day 3, 2025-11-20"
    assert trend_name(JOINT) == "straight trend: no forecast by its model"
    assert trend_name(JointSettings(name="a", layout="l")) == "no model: straight trend"


def test_how_good_a_model_was_is_told():
    """With its date and source, and how many held; of a joint without one its row says so."""
    plain = JointSettings(name="elbow", layout="l")
    judged = dataclasses.replace(_forecast(), judged=20, held=18)
    assert model_remarks([JOINT, plain], {"shoulder": judged}) == [
        "shoulder is forecast by its model of 2026-01-02 (20260101T093000Z-duty); "
        "18 of the last 20 forecasts held",
    ]
