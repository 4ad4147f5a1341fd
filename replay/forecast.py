"""The newest forecast of a joint's temperatures, as its recorder wrote it."""
# ruff: noqa: N815 - units are written as units are: K is a capital

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from logger.heat.watch import HeatState
from logger.store.layout.files import course_stream, forecast_stream
from replay.recording import Recording

__all__ = ["ChannelForecast", "JointForecast", "LevelTime", "newest_forecast"]

PRESENT_S: Final = 30.0
"""An older forecast is of another instant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelTime:
    """When a level is reached, in seconds from the forecast's time; inf: not within the hour."""

    level_degC: float
    is_rising: bool
    """False: the temperature falls to it."""
    probability: float
    soonest_s: float
    median_s: float
    latest_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelForecast:
    """Where one temperature goes."""

    channel: str
    settled_degC: tuple[float, float, float]
    """5, 50 and 95 %; inf where the joint has no steady temperature."""
    load: str
    period_s: float
    """Of a cyclic load, else NaN."""
    levels: tuple[LevelTime, ...]
    """The lowest first."""
    ahead_s: Floats
    course_degC: Floats
    """5, 50 and 95 % at each of `ahead_s`, shape (m, 3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointForecast:
    """What was forecast of a joint at one instant, or why nothing was."""

    time_ns: int
    state: HeatState
    since_ns: int | None
    """Since when its model has been left."""
    judged: int
    held: int
    """How many of those forecasts held."""
    channels: tuple[ChannelForecast, ...]

    def is_present(self, now_ns: int) -> bool:
        """Return whether it is of the present instant, and not of one long ago."""
        return (now_ns - self.time_ns) / 1e9 <= PRESENT_S

    def of_channel(self, channel: str | None) -> ChannelForecast | None:
        """Return the forecast of one temperature, None where there is none."""
        return next((one for one in self.channels if one.channel == channel), None)


def newest_forecast(recording: Recording, joint: str) -> JointForecast | None:
    """Return the newest forecast; None where the joint has no model, or none was made yet."""
    stream = forecast_stream(joint)
    if stream not in recording.schemas:
        return None
    newest = recording.newest_row(stream)
    if newest is None:
        return None
    time_ns = int(str(newest["time"]))
    rows = _rows(recording, stream, time_ns)
    course = _rows(recording, course_stream(joint), time_ns)
    head = rows[0]
    return JointForecast(
        time_ns=time_ns,
        state=HeatState(head["state"]),
        since_ns=head["since"],
        judged=head["judged"],
        held=head["held"],
        channels=tuple(
            _channel(row, rows, course)
            for row in rows
            if row["channel"] is not None and row["level_degC"] is None
        ),
    )


def _rows(recording: Recording, stream: str, time_ns: int) -> list[dict[str, Any]]:
    """Return the rows of one instant, times in ns: as objects they would need pandas."""
    table = recording.read_rows(stream, start_ns=time_ns, end_ns=time_ns + 1)
    for name in ("time", "since"):
        if name in table.column_names:
            place = table.column_names.index(name)
            table = table.set_column(place, name, table[name].cast("int64"))
    return list(table.to_pylist())


def _channel(
    head: dict[str, Any], rows: list[dict[str, Any]], course: list[dict[str, Any]]
) -> ChannelForecast:
    own = [one for one in course if one["channel"] == head["channel"]]
    levels = [
        LevelTime(
            level_degC=one["level_degC"],
            is_rising=one["is_rising"],
            probability=one["probability"],
            soonest_s=_or_never(one["soonest_s"]),
            median_s=_or_never(one["median_s"]),
            latest_s=_or_never(one["latest_s"]),
        )
        for one in rows
        if one["channel"] == head["channel"] and one["level_degC"] is not None
    ]
    return ChannelForecast(
        channel=head["channel"],
        settled_degC=(
            _or_never(head["settled_low_degC"]),
            _or_never(head["settled_degC"]),
            _or_never(head["settled_high_degC"]),
        ),
        load=head["load"],
        period_s=math.nan if head["period_s"] is None else head["period_s"],
        levels=tuple(sorted(levels, key=lambda one: one.level_degC)),
        ahead_s=np.array([one["ahead_s"] for one in own]),
        course_degC=np.array(
            [
                [_or_never(one[key]) for key in ("low_degC", "median_degC", "high_degC")]
                for one in own
            ]
        ).reshape(-1, 3),
    )


def _or_never(value: float | None) -> float:
    return math.inf if value is None else value
