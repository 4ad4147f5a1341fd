"""Where a joint's temperature goes by its model of heat, as its row says it.

Only words are made here; the forecast comes from the recorder (`replay.forecast`).
"""

import math
from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

import numpy as np

from dashboard.live.wire_messages import Ahead, LimitTime
from dashboard.text.format import format_clock, format_number
from logger.heat.fitted import fitted_heat
from logger.heat.needed_step import needed_step
from logger.heat.watch import HeatState
from logger.joint.bench.joint_settings import JointSettings
from logger.limits.levels import LimitLevel
from replay.forecast import ChannelForecast, JointForecast, LevelTime

__all__ = ["ahead_of", "model_name", "model_remarks", "model_text", "trend_name"]

HARDLY: Final = 0.05
_GOES_ON: Final = "if it goes on like this"


def model_text(
    forecast: JointForecast,
    channel: str,
    levels: Sequence[LimitLevel],
    joint: JointSettings,
    *,
    now_ns: int,
    zone: tzinfo,
) -> tuple[LimitTime, float | None]:
    """Return where a temperature goes, and the level that it reaches.

    Parameters
    ----------
    levels
        Those above the present temperature, the lowest first.
    """
    one = forecast.of_channel(channel)
    if forecast.state is HeatState.LEFT:
        since = (
            "" if forecast.since_ns is None else f" since {format_clock(forecast.since_ns, zone)}"
        )
        return _words("not known", f"it has left its model{since}: cooling or heat changed"), None
    if forecast.state is HeatState.WIDE:
        return _words("not known yet", f"needs {_step_words(joint)}"), None
    if one is None:
        return _words("–", "its model needs a minute of data"), None
    age_s = max(0.0, (now_ns - forecast.time_ns) / 1e9)
    rising = {time.level_degC: time for time in one.levels if time.is_rising}
    ahead = [(level, rising[level.pick_up]) for level in levels if level.pick_up in rising]
    if ahead and math.isfinite(ahead[0][1].median_s):
        (level, time), rest = ahead[0], ahead[1:]
        value, unit, band = _time_words(time, age_s)
        label = f"until it reaches {level.severity}"
        if rest:
            label += f"; {_later_words(*rest[0], age_s)}"
        return _words(value, f"{label}, {_GOES_ON}", f"{unit} {band}"), level.pick_up
    falling = next((time for time in one.levels if not time.is_rising), None)
    settles = _settled_words(one)
    if falling is not None:
        touch = f"touchable ({format_number(falling.level_degC, 0)} °C) {_in_words(falling, age_s)}"
        return _words("cools", f"{touch}; {settles}"), None
    if ahead and ahead[0][1].probability >= HARDLY:
        level, time = ahead[0]
        share = format_number(100.0 * time.probability, 0)
        says = f"reach {level.severity} within the hour; {settles}, {_GOES_ON}"
        return _words("may not", says, f"({share} % that it does)"), None
    reaches = f"{ahead[0][0].severity} not within the hour" if ahead else "no limit above it"
    low, middle, high = one.settled_degC
    if not math.isfinite(middle):
        return _words("rises", f"it does not settle; {reaches}"), None
    value = format_number(middle, 0)
    return _words(f"settles at {value}", reaches, f"°C {_band_words(low, high)}"), None


def ahead_of(forecast: JointForecast, channel: str | None, *, start_ns: int) -> Ahead | None:
    """Return the course of a temperature, on the clock of a recording that began at `start_ns`.

    None where none was forecast, or the joint runs away.
    """
    one = forecast.of_channel(channel)
    if one is None:
        return None
    finite = np.isfinite(one.course_degC).all(axis=1)
    if finite.sum() < 2:
        return None
    begin_s = (forecast.time_ns - start_ns) / 1e9
    low, median, high = np.round(one.course_degC[finite], 2).T.tolist()
    return {
        "channel": one.channel,
        "at": np.round(begin_s + one.ahead_s[finite], 1).tolist(),
        "low": low,
        "median": median,
        "high": high,
    }


def model_name(joint: JointSettings) -> str:
    """Return which model a joint is forecast by: that of a finding, or of the bench file."""
    assert joint.thermal is not None, "it is forecast"
    finding, fitted = joint.thermal.finding, joint.thermal.fitted
    if finding is not None:
        return f"model: finding of {finding.name}, {finding.date:%Y-%m-%d}"
    return "model: bench file" + (f", {fitted:%Y-%m-%d}" if fitted else "")


def trend_name(joint: JointSettings) -> str:
    """Return that a joint is forecast by its trend alone, and why."""
    if joint.thermal is None:
        return "no model: straight trend"
    return "straight trend: no forecast by its model"


def model_remarks(
    joints: Sequence[JointSettings], forecasts: dict[str, JointForecast | None]
) -> list[str]:
    """Return whence each joint's model is, and how good its forecasts were."""
    remarks = []
    for joint in joints:
        if joint.thermal is None:
            continue
        model = joint.thermal
        named = f" of {model.fitted:%Y-%m-%d}" if model.fitted else ""
        source = f" ({model.source})" if model.source else ""
        text = f"{joint.label or joint.name} is forecast by its model{named}{source}"
        forecast = forecasts.get(joint.name)
        if forecast is not None and forecast.judged:
            text += f"; {forecast.held} of the last {forecast.judged} forecasts held"
        remarks.append(text)
    return remarks


def _words(value: str, label: str, detail: str = "") -> LimitTime:
    return {"value": value, "detail": detail, "label": label}


def _step_words(joint: JointSettings) -> str:
    assert joint.thermal is not None, "it is forecast"
    is_torque = joint.thermal.load == "torque_Nm"
    per_ampere = None if is_torque or joint.torque is None else joint.torque.per_ampere
    step = needed_step(fitted_heat(joint.thermal), per_ampere)
    unit = "A" if per_ampere is None and not is_torque else "N·m"
    return f"a load step of {step.load:g} {unit} for {step.minutes} min"


def _time_words(time: LevelTime, age_s: float) -> tuple[str, str, str]:
    """Return a time with its unit, and both ends in the same unit: seconds below a minute."""
    left_s = max(0.0, time.median_s - age_s)
    in_seconds = left_s < 59.5
    unit, divisor = ("s", 1.0) if in_seconds else ("min", 60.0)

    def number(value_s: float) -> str:
        value = max(0.0, value_s - age_s) / divisor
        return format_number(value, 0 if in_seconds or value >= 9.5 else 1)

    until = f"to {number(time.latest_s)}" if math.isfinite(time.latest_s) else "or later"
    return number(time.median_s), unit, f"({number(time.soonest_s)} {until})"


def _in_words(time: LevelTime, age_s: float) -> str:
    """Return "in 21 min (18 to 25)", or that it takes longer than an hour."""
    if not math.isfinite(time.median_s):
        return "in more than an hour"
    value, unit, band = _time_words(time, age_s)
    return f"in {value} {unit} {band}"


def _later_words(level: LimitLevel, time: LevelTime, age_s: float) -> str:
    if math.isfinite(time.median_s):
        return f"{level.severity} {_in_words(time, age_s)}"
    if time.probability >= HARDLY:
        return f"{level.severity} perhaps, {format_number(100.0 * time.probability, 0)} %"
    return f"{level.severity} not within the hour"


def _settled_words(one: ChannelForecast) -> str:
    low, middle, high = one.settled_degC
    if not math.isfinite(middle):
        return "it does not settle"
    return f"settles at {format_number(middle, 0)} {_band_words(low, high)}"


def _band_words(low: float, high: float) -> str:
    until = f"to {format_number(high, 0)}" if math.isfinite(high) else "or more"
    return f"({format_number(low, 0)} {until})"
