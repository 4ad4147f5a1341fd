"""The present state of each joint and each alert, as the Live page says it.

Asks replay for the numbers and sets them into words and units; `assets/live.js` only puts them
where they belong. Everything that a reader could take for fresh carries its age.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timezone
from typing import Any, Final

import numpy as np

from dashboard.figures.axes import main_temperature
from dashboard.live.alert_rows import alert_lines
from dashboard.live.drive_text import drive_words
from dashboard.text.theme import (
    MARKS,
    channel_words,
    clock,
    day,
    elapsed,
    few_decimals,
    number,
    span_words,
)
from dashboard.text.units import PLAIN, Displays
from logger.joint.channels import CHANNELS
from logger.joint.thermal_model import Trend, time_to_level, trend
from logger.limits.levels import LevelLine, lines_of
from logger.limits.lifecycle import Alert
from replay.recording import Recording

__all__ = ["Latest", "Slow", "ledger_of", "temperature_trend"]

STALE_S: Final = 1.0
"""A joint unheard for longer has no data; its silence limit may speak up earlier."""
TREND_S: Final = 240.0
LONG_S: Final = 8 * 3600.0
Words = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Latest:
    """What was last heard of a joint."""

    time_ns: int
    values: Mapping[str, tuple[int, float]]
    """Channel -> time and value of its newest reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow:
    """What changes slowly: looked at once a second, the trend once in five."""

    rms_torque_Nm: float  # noqa: N815 - the unit's own spelling
    temperature_trend: Trend | None


def temperature_trend(recording: Recording, joint: str, end_ns: int) -> Trend | None:
    """Return the trend of a joint's main temperature, None while there is too little of it."""
    place = main_temperature(recording.channels(joint), _watched(recording, joint))
    if place is None:
        return None
    begin = end_ns - round(TREND_S * 1e9)
    times, values = recording.readings(joint, begin, end_ns + 1, channels=[place]).series(place)
    if len(times) <= 20 or times[-1] - times[0] <= 60e9:
        return None
    return trend((times - times[0]) / 1e9, np.asarray(values))


def _watched(recording: Recording, joint: str) -> set[str]:
    return {line.channel for line in _lines(recording, joint)}


def _lines(recording: Recording, joint: str) -> list[LevelLine]:
    """Return the levels of all limits on a joint, the lowest first."""
    rated = recording.bench.joint(joint).rated
    limits = recording.limits.for_joint(joint, recording.channels(joint))
    found = [line for limit in limits for line in lines_of(limit, rated)]
    return sorted(found, key=lambda line: line.pick_up)


def ledger_of(
    recording: Recording,
    *,
    latest: Mapping[str, Latest],
    slow: Mapping[str, Slow],
    now_ns: int,
    where: timezone,
    displays: Displays = PLAIN,
    peaks: Mapping[int, float] | None = None,
    missing: Sequence[str] = (),
) -> Words:
    """Return everything that the Live page says beside its figure.

    Parameters
    ----------
    latest, slow
        Joint -> what was last heard and measured of it.
    now_ns
        The recording's present; later than its end when nothing comes any more.
    where
        The reader's time zone.
    displays
        The reader's units.
    peaks
        Number of an open alert -> the furthest value that it has reached by now.
    missing
        What is known to be missing, in sentences.
    """
    events = recording.events()
    alerts = recording.alerts()
    heard = max((item.time_ns for item in latest.values()), default=recording.end_ns)
    # An end before it was gone on with is no end.
    latest_end = (event for event in reversed(events) if event.kind in {"ended", "continued"})
    ended = next(latest_end, None)
    ended = ended if ended is not None and ended.kind == "ended" else None
    stopped_ns = None if recording.live else (ended.time_ns if ended else recording.end_ns)
    health = recording.health()
    words: Words = {
        "name": recording.name,
        "path": recording.path.name,
        "since": f"{day(recording.start_ns, where)}, {clock(recording.start_ns, where)}",
        "elapsed": elapsed(((stopped_ns or now_ns) - recording.start_ns) / 1e9),
        "clock": clock(now_ns, where),
        "facts": {
            "rate": _grouped(health.frames_per_s) if health else "–",
            "load": number(100 * health.bus_load, 0) if health else "–",
            "disk": number(health.disk_left_h, 0) if health else "–",
            "open": str(sum(alert.open(now_ns) for alert in alerts)),
        },
        "joints": [
            _joint(
                recording,
                joint,
                pen=index,
                latest=latest.get(joint),
                slow=slow.get(joint),
                alerts=alerts,
                now_ns=now_ns,
                where=where,
            )
            for index, joint in enumerate(recording.joints, start=1)
        ],
        "alerts": alert_lines(
            recording, alerts, now_ns, where, displays=displays, peaks=peaks or {}
        ),
        "remarks": [*_remarks(recording), *missing],
    }
    if stopped_ns is not None:
        words["stopped"] = {
            "ended": ended is not None,
            "for": span_words(max(0.0, (now_ns - stopped_ns) / 1e9)),
            "at": clock(stopped_ns, where),
            "after": elapsed((stopped_ns - recording.start_ns) / 1e9),
        }
    elif (now_ns - heard) / 1e9 > 3.0:
        words["quiet"] = {"for": span_words((now_ns - heard) / 1e9), "at": clock(heard, where)}
    return words


def _grouped(value: float) -> str:
    return f"{value:,.0f}".replace(",", " ") if math.isfinite(value) else "–"


def _joint(
    recording: Recording,
    joint: str,
    *,
    pen: int,
    latest: Latest | None,
    slow: Slow | None,
    alerts: Sequence[Alert],
    now_ns: int,
    where: timezone,
) -> Words:
    channels = recording.channels(joint)
    age_s = (now_ns - latest.time_ns) / 1e9 if latest else math.inf
    stale = age_s > STALE_S or not recording.live
    mine = [alert for alert in alerts if alert.joint == joint and alert.open(now_ns)]
    mark, state, under = _state(mine, stale=stale)
    place = main_temperature(channels, _watched(recording, joint))
    now = latest.values.get(place, (0, math.nan))[1] if latest and place else math.nan
    levels = [line for line in _lines(recording, joint) if line.channel == place and line.rising]
    words: Words = {
        "name": joint,
        "pen": (pen - 1) % 4 + 1,
        "mark": mark,
        "state": state,
        "under": under,
        "stale": stale,
        "temp": number(now, few_decimals(now)) if math.isfinite(now) else "—",
        "place": _place_words(place, now, levels, age_s=age_s, stale=stale),
        "reach": _reach(now, levels),
        "rms": number(slow.rms_torque_Nm, 1) if slow else "–",
        "age": _age_words(age_s),
    }
    rated = recording.bench.joint(joint).rated.torque
    words["rated"] = f"of {rated:g}" if rated else ""
    words["when"] = _when(
        now, levels, slow, [a for a in mine if a.channel == place], stale=stale, where=where
    )
    other = next(
        (
            name
            for name in channels
            if name != place and CHANNELS[name].quantity == "temperature"
        ),
        None,
    )  # fmt: skip
    if other is not None and latest is not None and other in latest.values:
        value = latest.values[other][1]
        words["other"] = {"value": number(value, few_decimals(value)), "says": channel_words(other)}
    drive = drive_words(recording, joint, latest.values if latest else {}, now_ns)
    if drive:
        words["drive"] = drive
    when_will = words["when"].pop("reaches", None)
    if when_will is not None and words["reach"]:
        words["reach"]["will"] = when_will
    return words


def _age_words(age_s: float) -> tuple[str, str]:
    if not math.isfinite(age_s):
        return "–", "s"
    if age_s < 10:
        return number(max(age_s, 0.0), 2 if age_s < 1 else 1), "s"
    if age_s < 120:
        return number(age_s, 0), "s"
    text = span_words(age_s)
    return text, ""


def _state(alerts: Sequence[Alert], *, stale: bool) -> tuple[str, str, str]:
    """Return mark, word and what stands under it."""
    trips = [alert for alert in alerts if alert.severity == "trip"]
    if stale:
        return "none", "No data", "last known: trip" if trips else ""
    if trips:
        latched = all(alert.returned_ns is not None for alert in trips)
        return "danger", "Trip", "latched" if latched else ""
    if alerts:
        return "abnormal", "Warning", ""
    return "normal", "Normal", ""


def _place_words(
    place: str | None, now: float, levels: Sequence[LevelLine], *, age_s: float, stale: bool
) -> str:
    if place is None:
        return "no temperature reported"
    if not math.isfinite(now):
        return f"{channel_words(place)}, nothing heard yet"
    if stale:
        return f"{channel_words(place)}, {span_words(age_s)} ago"
    above = next((limit for limit in levels if limit.pick_up > now), None)
    if above is not None:
        gap = above.pick_up - now
        return f"{channel_words(place)}, {number(gap, few_decimals(gap))} K below {above.severity}"
    if levels:
        gap = now - levels[-1].pick_up
        beyond = f"{number(gap, few_decimals(gap))} K beyond" if gap > 0 else "at the"
        return f"{channel_words(place)}, {beyond} {levels[-1].severity}"
    return f"{channel_words(place)}, no limit set"


def _reach(now: float, levels: Sequence[LevelLine]) -> Words:
    return {
        **({"now": now} if math.isfinite(now) else {}),
        "limits": [
            {
                "at": limit.pick_up,
                "off": limit.pick_up if limit.drop_off is None else limit.drop_off,
                "mark": MARKS[limit.severity],
                "word": limit.severity,
            }
            for limit in levels
        ],
    }


def _when(
    now: float,
    levels: Sequence[LevelLine],
    slow: Slow | None,
    mine: Sequence[Alert],
    *,
    stale: bool,
    where: timezone,
) -> Words:
    """Return what a joint's temperature reaches and when, at the present trend."""
    if stale:
        return {"fig": "unknown", "more": "", "says": "what it reaches, and when"}
    above = next((limit for limit in levels if limit.pick_up > now), None)
    if above is None:
        if not levels:
            return {"fig": "–", "more": "", "says": "no limit to reach"}
        at = f"trip or limit since {clock(mine[0].raised_ns, where)}" if mine else "above its limit"
        return {"fig": "reached", "more": "", "says": at}
    found = slow.temperature_trend if slow else None
    if found is None:
        return {"fig": "–", "more": "", "says": "the trend needs a minute of data"}
    rate, unsure = found.rate_K_per_min, found.uncertainty_K_per_min
    signed = ("+" if rate > 0 else "") + number(rate, 1)
    says = f"{signed} ± {number(2 * unsure, 1)} K/min"
    ahead = time_to_level(above.pick_up, now, found)
    if not math.isfinite(rate) or rate <= 2 * unsure or ahead.s > LONG_S:
        calm = "over 8 h" if rate > 2 * unsure else "no clear rise"
        return {"fig": calm, "more": "", "says": says}
    span = f"({_minutes(ahead.soonest_s)} to {_minutes(ahead.latest_s)})"
    return {
        "fig": _minutes(ahead.s),
        "more": f"min {span}",
        "says": f"until it reaches {above.severity}",
        "reaches": above.pick_up,
    }


def _minutes(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "never"
    minutes = seconds / 60
    return number(minutes, 0 if minutes >= 9.5 else 1)


def _remarks(recording: Recording) -> list[str]:
    """Return the quiet line under the figure: what is derived, what is sent, what was lost."""
    said = []
    for joint in recording.bench.joints:
        if joint.torque is not None and recording.bench.derives_torque(joint):
            factor = f"{joint.torque.per_ampere:g}"
            said.append(f"{joint.name} torque is derived from current, {factor} N·m/A")
    asked = any(bus.send for bus in recording.bench.buses)
    health = recording.health()
    lost = health.dropped if health is not None else 0
    said.append(f"{lost} frame{'' if lost == 1 else 's'} lost" if lost else "no frame lost")
    said.append("joints are asked for their status" if asked else "nothing is sent on this bus")
    return said
