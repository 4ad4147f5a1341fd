"""The present state of each joint and each alert, as the Live page shows it.

Reads the numbers from replay and writes them with their units; `assets/live/` only displays them.
Everything that a reader could take for up to date has its age.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Final

from dashboard.figures.axes import main_temperature, temperature_scale
from dashboard.live.alert_rows import alert_rows
from dashboard.live.drive_text import drive_text
from dashboard.live.forecast_text import forecast_text
from dashboard.live.snapshot import LatestValues, SlowValues
from dashboard.live.wire_messages import JointStatus, Status, TemperatureScale
from dashboard.text.format import (
    format_clock,
    format_date_time,
    format_duration,
    format_elapsed,
    format_number,
    format_reading,
    format_thousands,
)
from dashboard.text.theme import STATE_BY_SEVERITY, channel_label, pen_number
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from dashboard.text.zone import zone_name
from logger.event_kind import EventKind
from logger.joint.channels import channel_named
from logger.limits.lifecycle import Alert
from logger.limits.limit_lines import LimitLevel, levels_of
from logger.limits.words import limit_label
from logger.store.layout.events import Event
from replay.excursions.not_judged import recorded_not_judged
from replay.recording import Recording

__all__ = ["live_status", "watched_temperature"]

STALE_AFTER_S: Final = 1.0
"""A joint without a row for longer is shown as without data; a limit on silence may be faster."""


def watched_temperature(recording: Recording, joint: str) -> str | None:
    """Return the temperature channel that represents a joint, None if it reports none."""
    watched = {line.channel for line in _level_lines(recording, joint)}
    return main_temperature(recording.channels(joint), watched)


def _level_lines(recording: Recording, joint: str) -> list[LimitLevel]:
    """Return the levels of all limits on a joint, the lowest first."""
    rated = recording.bench.joint_named(joint).rated
    limits = recording.limits.for_joint(
        joint, recording.channels(joint), sensor=joint in recording.bench.sensors
    )
    levels = [line for limit in limits for line in levels_of(limit, rated)]
    return sorted(levels, key=lambda line: line.pick_up)


def live_status(
    recording: Recording,
    *,
    latest: Mapping[str, LatestValues],
    slow: Mapping[str, SlowValues],
    now_ns: int,
    zone: tzinfo,
    displays: Displays = DEFAULT_DISPLAYS,
    peaks: Mapping[int, float] | None = None,
    missing: Sequence[str] = (),
) -> Status:
    """Return everything that the Live page shows besides its figure.

    Parameters
    ----------
    latest, slow
        Joint -> its newest values, and those that change slowly.
    now_ns
        The present on the recording's clock; later than its end while nothing is received.
    zone
        The reader's time zone.
    displays
        The reader's units.
    peaks
        Number of an open alert -> its worst value so far.
    missing
        What is missing of the recording, in sentences.
    """
    events = recording.read_events()
    alerts = recording.read_alerts()
    newest_ns = max((item.time_ns for item in latest.values()), default=recording.end_ns)
    # An end that a resumed recorder followed is not the end of the recording.
    latest_end = (
        event for event in reversed(events) if event.kind in {EventKind.ENDED, EventKind.CONTINUED}
    )
    ended = next(latest_end, None)
    ended = ended if ended is not None and ended.kind == EventKind.ENDED else None
    stopped_ns = None if recording.live else (ended.time_ns if ended else recording.end_ns)
    health = recording.latest_health()
    status: Status = {
        "name": recording.name,
        "path": recording.path.name,
        "since": format_date_time(recording.start_ns, zone),
        "elapsed": format_elapsed(((stopped_ns or now_ns) - recording.start_ns) / 1e9),
        "clock": format_clock(now_ns, zone),
        "zone": zone_name(zone),
        "facts": {
            "rate": format_thousands(health.frames_per_s) if health else "–",
            "load": format_number(100 * health.bus_load, 0) if health else "–",
            "disk": format_number(health.disk_left_h, 0) if health else "–",
            "open": str(sum(alert.is_open(now_ns) for alert in alerts)),
        },
        "joints": [
            _joint_status(
                recording,
                joint,
                index=index,
                latest=latest.get(joint),
                slow=slow.get(joint),
                alerts=alerts,
                now_ns=now_ns,
                zone=zone,
            )
            for index, joint in enumerate(recording.joints)
        ],
        "alerts": alert_rows(recording, alerts, now_ns, zone, displays=displays, peaks=peaks or {}),
        "remarks": [*_not_judged(recording, displays, zone), *_status_remarks(recording), *missing],
    }
    if stopped_ns is not None:
        status["stopped"] = {
            "ended": ended is not None,
            "duration": format_duration(max(0.0, (now_ns - stopped_ns) / 1e9)),
            "time": format_clock(stopped_ns, zone),
            "elapsed": format_elapsed((stopped_ns - recording.start_ns) / 1e9),
        }
    elif (now_ns - newest_ns) / 1e9 > 3.0:
        status["quiet"] = {
            "duration": format_duration((now_ns - newest_ns) / 1e9),
            "time": format_clock(newest_ns, zone),
        }
    return status


def _joint_status(
    recording: Recording,
    joint: str,
    *,
    index: int,
    latest: LatestValues | None,
    slow: SlowValues | None,
    alerts: Sequence[Alert],
    now_ns: int,
    zone: tzinfo,
) -> JointStatus:
    channels = recording.channels(joint)
    age_s = (now_ns - latest.time_ns) / 1e9 if latest else math.inf
    stale = age_s > STALE_AFTER_S or not recording.live
    open_alerts = [alert for alert in alerts if alert.joint == joint and alert.is_open(now_ns)]
    channel = watched_temperature(recording, joint)
    at_ns, temperature = (latest.values.get(channel or "") if latest else None) or (0, math.nan)
    old_s = max(STALE_AFTER_S, recording.hold_ns(joint).get(channel or "", 0) / 1e9)
    heat_age_s = (now_ns - at_ns) / 1e9 if math.isfinite(temperature) else math.inf
    heat_known = heat_age_s <= old_s
    mark, state, state_note = _alert_state(open_alerts, stale=stale, heat_known=heat_known)
    levels = [
        line
        for line in _level_lines(recording, joint)
        if line.channel == channel and line.is_rising
    ]
    when, reaches = forecast_text(
        temperature,
        levels,
        slow.temperature_trend if slow else None,
        [a for a in open_alerts if a.channel == channel],
        stale=stale or not heat_known,
        zone=zone,
    )
    scale = _scale(temperature, levels)
    if reaches is not None:
        scale["will"] = reaches
    rated = recording.bench.joint_named(joint).rated.torque
    words: JointStatus = {
        "name": joint,
        "label": recording.bench.label_of(joint),
        "pen": pen_number(index),
        "mark": mark,
        "state": state,
        "under": state_note,
        "stale": stale,
        "temperature": format_reading(temperature) if math.isfinite(temperature) else "—",
        "place": _temperature_text(
            channel, temperature, levels, age_s=heat_age_s, stale=stale or not heat_known
        ),
        "range": scale,
        "limit_time": when,
        "rms": format_number(slow.rms_torque_Nm, 1) if slow else "–",
        "rated": f"of {rated:g}" if rated else "",
        "age": list(_age_words(age_s)),
    }
    other = next(
        (
            name
            for name in channels
            if name != channel and channel_named(name).quantity == "temperature"
        ),
        None,
    )  # fmt: skip
    if other is not None and latest is not None and other in latest.values:
        value = latest.values[other][1]
        words["other"] = {
            "value": format_reading(value),
            "label": channel_label(other),
        }
    drive = drive_text(recording, joint, latest.values if latest else {}, now_ns)
    if drive:
        words["drive"] = drive
    return words


def _age_words(age_s: float) -> tuple[str, str]:
    if not math.isfinite(age_s):
        return "–", "s"
    if age_s < 10:
        return format_number(max(age_s, 0.0), 2 if age_s < 1 else 1), "s"
    if age_s < 120:
        return format_number(age_s, 0), "s"
    text = format_duration(age_s)
    return text, ""


def _alert_state(alerts: Sequence[Alert], *, stale: bool, heat_known: bool) -> tuple[str, str, str]:
    """Return the mark of a joint, its word and the smaller text below."""
    trips = [alert for alert in alerts if alert.severity == "trip"]
    if stale:
        return "none", "No data", "last known: trip" if trips else ""
    if trips:
        latched = all(alert.returned_ns is not None for alert in trips)
        return "danger", "Trip", "latched" if latched else ""
    if alerts:
        return "abnormal", "Warning", ""
    if not heat_known:
        # Nobody can say of a joint that it is well whose temperature nobody reports.
        return "none", "Heat not known", ""
    return "normal", "Normal", ""


def _temperature_text(
    channel: str | None,
    temperature: float,
    levels: Sequence[LimitLevel],
    *,
    age_s: float,
    stale: bool,
) -> str:
    if channel is None:
        return "no temperature reported"
    if not math.isfinite(temperature):
        return f"{channel_label(channel)}, nothing received yet"
    if stale:
        return f"{channel_label(channel)}, {format_duration(age_s)} ago"
    above = next((limit for limit in levels if limit.pick_up > temperature), None)
    if above is not None:
        gap = above.pick_up - temperature
        return f"{channel_label(channel)}, {format_reading(gap)} K below {above.severity}"
    if levels:
        gap = temperature - levels[-1].pick_up
        beyond = f"{format_reading(gap)} K beyond" if gap > 0 else "at the"
        return f"{channel_label(channel)}, {beyond} {levels[-1].severity}"
    return f"{channel_label(channel)}, no limit set"


def _scale(now: float, levels: Sequence[LimitLevel]) -> TemperatureScale:
    low, high = temperature_scale([limit.pick_up for limit in levels])
    scale: TemperatureScale = {
        "low": low,
        "high": high,
        "limits": [
            {
                "at": limit.pick_up,
                "off": limit.pick_up if limit.drop_off is None else limit.drop_off,
                "mark": STATE_BY_SEVERITY[limit.severity],
                "severity": limit.severity,
            }
            for limit in levels
        ],
    }
    if math.isfinite(now):
        scale["now"] = now
    return scale


def _not_judged(recording: Recording, displays: Displays, zone: tzinfo) -> list[str]:
    """Return which limits are not judged at present, and since when."""
    return [
        f"{one.joint} {limit_label(limit, displays)} is not judged since "
        f"{format_clock(one.start_ns, zone)}"
        for one in recorded_not_judged(recording)
        if one.ongoing and (limit := recording.limits.by_name(one.limit)) is not None
    ]


def _loss_remark(lost: int, events: Sequence[Event]) -> str:
    """Return how many frames were lost; of a standstill without a value nobody knows how many."""
    standstills = sum(
        event.kind == EventKind.STANDSTILL and math.isnan(event.value) for event in events
    )
    counted = f"{lost} frame{'' if lost == 1 else 's'} lost"
    if not standstills:
        return counted if lost else "no frame lost"
    times = "once" if standstills == 1 else f"{standstills} times"
    unknown = f"while the recorder stood still {times}"
    if lost:
        return f"{counted}, and an unknown number {unknown}"
    return f"an unknown number of frames lost {unknown}"


def _status_remarks(recording: Recording) -> list[str]:
    """Return the remarks under the figure: derived channels, requests sent, frames lost."""
    remarks = []
    for joint in recording.bench.joints:
        if joint.torque is not None and recording.bench.derives_torque(joint):
            factor = f"{joint.torque.per_ampere:g}"
            remarks.append(
                f"{joint.label or joint.name} torque is derived from current, {factor} N·m/A"
            )
    sends_requests = any(bus.send for bus in recording.bench.buses)
    health = recording.latest_health()
    events = recording.read_events()
    remarks.append(_loss_remark(health.dropped if health is not None else 0, events))
    garbled = sum(event.whole_value for event in events if event.kind == EventKind.GARBLED)
    if garbled:
        remarks.append(f"{format_thousands(garbled)} lines or frames could not be read")
    remarks.append(
        "joints are polled for their status" if sends_requests else "nothing is sent on this bus"
    )
    return remarks
