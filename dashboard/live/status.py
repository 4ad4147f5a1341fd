"""The present state of each joint and each alert, as the Live page shows it.

Reads the numbers from replay and writes them with their units; `assets/live/` only displays them.
Everything that a reader could take for up to date has its age.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Final

from dashboard.figures.axes import temperature_scale
from dashboard.figures.pens import NO_PEN, Pens, choose_pens, drawn_text
from dashboard.live.alert_rows import alert_rows, alert_summary
from dashboard.live.bus_lines import bus_lines
from dashboard.live.campaign_text import campaign_status
from dashboard.live.disk_text import disk_left_text
from dashboard.live.drive_text import drive_text
from dashboard.live.joint_facts import JointFacts, joint_facts, joints_of, watched_temperature
from dashboard.live.joint_words import alert_state, level_marks, temperature_text
from dashboard.live.limit_time import limit_time
from dashboard.live.model_text import ahead_of, model_remarks
from dashboard.live.snapshot import BusFacts, LatestValues, SlowValues
from dashboard.live.tiles import MANY_JOINTS, tiles_status
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
from dashboard.text.theme import channel_label
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from dashboard.text.zone import zone_name
from logger.event_kind import EventKind
from logger.joint.channels import channel_named
from logger.limits.limit_lines import LimitLevel
from logger.limits.words import limit_label
from logger.store.layout.events import Event
from replay.excursions.not_judged import recorded_not_judged
from replay.recording import Recording

__all__ = ["live_status"]

MOST_ALERT_LINES: Final = 2
"""Of more alerts the first has a line and the others one together, until they are opened."""


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
    worst_first: Sequence[str] = (),
    pens: Pens | None = None,
    buses: Sequence[BusFacts] = (),
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
    worst_first
        The joints in the order of their tiles; else that of the bench.
    pens
        The joints that are drawn; None: the first ones.
    buses
        The newest second of each of several buses.
    """
    joints = joints_of(recording)
    pens = choose_pens(joints, recording.joints) if pens is None else pens
    events = recording.read_events()
    alerts = recording.read_alerts()
    newest_ns = max((item.time_ns for item in latest.values()), default=recording.end_ns)
    # An end that a resumed recorder followed is not the end of the recording.
    latest_end = (
        event for event in reversed(events) if event.kind in {EventKind.ENDED, EventKind.CONTINUED}
    )
    ended = next(latest_end, None)
    ended = ended if ended is not None and ended.kind == EventKind.ENDED else None
    is_live = recording.live
    stopped_ns = None if is_live else (ended.time_ns if ended else recording.end_ns)
    health = recording.latest_health()
    facts = [
        joint_facts(
            recording,
            joint,
            latest=latest.get(joint),
            slow=slow.get(joint),
            alerts=alerts,
            now_ns=now_ns,
            is_live=is_live,
        )
        for joint in joints
    ]
    are_many = len(joints) >= MANY_JOINTS
    rows = alert_rows(recording, alerts, now_ns, zone, displays=displays, peaks=peaks or {})
    status: Status = {
        "name": recording.name,
        "path": recording.path.name,
        "since": f"{format_date_time(recording.start_ns, zone)}{_bench_size(recording, joints)}",
        "elapsed": format_elapsed(((stopped_ns or now_ns) - recording.start_ns) / 1e9),
        "clock": format_clock(now_ns, zone),
        "zone": zone_name(zone),
        "facts": {
            "rate": format_thousands(health.frames_per_s) if health else "–",
            "load": format_number(100 * health.bus_load, 0) if health else "–",
            "disk": disk_left_text(health.disk_left_h) if health else "–",
            "open": str(sum(alert.is_open(now_ns) for alert in alerts)),
        },
        "buses": bus_lines(recording, buses, facts),
        "joints": []
        if are_many
        else [
            _joint_status(
                recording, one, latest.get(one.joint), pens=pens, now_ns=now_ns, zone=zone
            )
            for one in facts
        ],
        "drawn": drawn_text(len(pens), len(joints)),
        "alerts": rows,
        "remarks": [
            *_not_judged(recording, displays, zone),
            *_forecast_remarks(recording, slow),
            *_status_remarks(recording),
            *missing,
        ],
    }
    if are_many:
        status["tiles"] = tiles_status(
            recording,
            facts,
            latest,
            worst_first or joints,
            pens=pens,
            now_ns=now_ns,
            zone=zone,
            displays=displays,
        )
    if (campaign := campaign_status(recording, zone=zone)) is not None:
        status["campaign"] = campaign
    if len(rows) > MOST_ALERT_LINES:
        status["more_alerts"] = alert_summary(rows[1:])
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


def _bench_size(recording: Recording, joints: Sequence[str]) -> str:
    """Return how many joints and buses there are, where nobody counts them at a glance."""
    buses = len(recording.bench.buses)
    if len(joints) < MANY_JOINTS:
        return ""
    return f"; {len(joints)} joints on {buses} buses" if buses > 1 else f"; {len(joints)} joints"


def _joint_status(
    recording: Recording,
    facts: JointFacts,
    latest: LatestValues | None,
    *,
    pens: Pens,
    now_ns: int,
    zone: tzinfo,
) -> JointStatus:
    joint, slow, channel, temperature = facts.joint, facts.slow, facts.channel, facts.temperature
    mark, state, state_note = alert_state(facts)
    when, reaches = limit_time(recording, facts, now_ns=now_ns, zone=zone)
    scale = _scale(temperature, facts.levels)
    if reaches is not None:
        scale["will"] = reaches
    rated = recording.bench.joint_named(joint).rated.torque
    words: JointStatus = {
        "name": joint,
        "label": recording.bench.label_of(joint),
        "pen": pens.get(joint, NO_PEN),
        "mark": mark,
        "state": state,
        "under": state_note,
        "stale": facts.is_stale,
        "temperature": format_reading(temperature) if math.isfinite(temperature) else "—",
        "place": temperature_text(facts),
        "range": scale,
        "limit_time": when,
        "rms": format_number(slow.rms_torque_Nm, 1) if slow else "–",
        "rated": f"of {rated:g}" if rated else "",
        "age": list(_age_words(facts.age_s)),
    }
    other = next(
        (
            name
            for name in recording.channels(joint)
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
    forecast = slow.forecast if slow else None
    if forecast is not None and forecast.is_present(now_ns) and not facts.is_stale:
        ahead = ahead_of(forecast, channel, start_ns=recording.start_ns)
        if ahead is not None:
            words["ahead"] = ahead
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


def _scale(now: float, levels: Sequence[LimitLevel]) -> TemperatureScale:
    low, high = temperature_scale([limit.pick_up for limit in levels])
    scale: TemperatureScale = {
        "low": low,
        "high": high,
        "limits": level_marks(levels),
    }
    if math.isfinite(now):
        scale["now"] = now
    return scale


def _not_judged(recording: Recording, displays: Displays, zone: tzinfo) -> list[str]:
    """Return which limits are not judged at present, and since when."""
    return [
        f"{recording.bench.label_of(one.joint)} {limit_label(limit, displays)} is not judged since "
        f"{format_clock(one.start_ns, zone)}"
        for one in recorded_not_judged(recording)
        if one.ongoing and (limit := recording.limits.by_name(one.limit)) is not None
    ]


def _forecast_remarks(recording: Recording, slow: Mapping[str, SlowValues]) -> list[str]:
    """Return by what the joints that report a temperature are forecast."""
    bench = recording.bench
    joints = [
        joint
        for joint in bench.joints
        if joint.name not in bench.sensors and watched_temperature(recording, joint.name)
    ]
    return model_remarks(joints, {name: values.forecast for name, values in slow.items()})


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


_FRAME_FAULTS: Final = {
    EventKind.GARBLED: "lines or frames could not be read",
    EventKind.DAMAGED: "frames came damaged",
    EventKind.SKIPPED: "frames missing by their counters",
}


def _status_remarks(recording: Recording) -> list[str]:
    """Return the remarks under the figure: derived channels, requests sent, frames lost."""
    remarks = []
    for joint in recording.bench.joints:
        if joint.torque is not None and recording.bench.derives_torque(joint):
            factor = f"{joint.torque.per_ampere:g}"
            remarks.append(
                f"{joint.label or joint.name} torque is derived from current, {factor} N·m/A"
            )
    buses = recording.bench.buses
    sends_requests = any(bus.send for bus in buses)
    these = "these buses" if len(buses) > 1 else "this bus"
    health = recording.latest_health()
    events = recording.read_events()
    remarks.append(_loss_remark(health.dropped if health is not None else 0, events))
    # One pass: a long test has tens of thousands of events, and this is asked again and again.
    counts: Counter[str] = Counter()
    disk_text = ""
    for event in events:
        if event.kind in _FRAME_FAULTS:
            counts[event.kind] += event.whole_value
        elif event.kind in {EventKind.DISK_SHORT, EventKind.DISK_FORECAST}:
            disk_text = event.text if event.kind == EventKind.DISK_SHORT else ""
    remarks += [
        f"{format_thousands(counts[kind])} {words}"
        for kind, words in _FRAME_FAULTS.items()
        if counts[kind]
    ]
    if disk_text:
        remarks.append(disk_text)
    remarks.append(
        "joints are polled for their status" if sends_requests else f"nothing is sent on {these}"
    )
    return remarks
