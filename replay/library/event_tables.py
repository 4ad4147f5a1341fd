"""What happened to a recording, as pandas tables: excursions, alerts, events, seconds of buses."""

import math
from collections.abc import Iterator
from os import PathLike, fspath
from pathlib import Path
from typing import Any, Final

import pandas as pd

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.limits.limit import check_for_bench, read_limits
from logger.settings_file import did_you_mean
from logger.store.layout.events import Event
from replay.bus_history import extend_bus_seconds
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.library.frames import frame, table_of, time_index
from replay.recording import Recording

__all__ = ["alert_table", "bus_table", "event_table", "excursion_table"]

_LEAD_UPS_S: Final = (60, 300, 900)
_TORQUES: Final = tuple(f"rms_torque_{seconds}s_Nm" for seconds in _LEAD_UPS_S)
_EXCURSION_COLUMNS: Final = (
    "start", "onset", "joint", "limit", "severity", "channel", "duration_s", "peak", "peak_text",
    "ongoing", *_TORQUES,
)  # fmt: skip
_ALERT_COLUMNS: Final = (
    "alert", "joint", "limit", "severity", "channel", "onset", "raised", "returned",
    "acknowledged", "acknowledged_by", "peak", "state", "text",
)  # fmt: skip
_EVENT_COLUMNS: Final = (
    "time", "kind", "joint", "limit", "severity", "alert", "channel", "value", "duration_s", "bus",
    "who", "text",
)  # fmt: skip
_BUS_COUNTS: Final = ("error_frames", "remote_frames", "lost", "garbled", "unanswered")


def excursion_table(recording: Recording, limits: str | PathLike[str] | None) -> pd.DataFrame:
    """Return the excursions: see `RecordingTables.excursions`."""
    if limits is None:
        found = recorded_excursions(recording)
    else:
        chosen = read_limits(Path(limits))
        check_for_bench(chosen, recording.bench, fspath(limits))
        found = find_excursions(recording, chosen)
    rows = [
        {
            "start": one.start_ns, "onset": one.onset_ns, "joint": one.joint, "limit": one.limit,
            "severity": str(one.severity), "channel": one.channel, "duration_s": one.duration_s,
            "peak": one.peak, "peak_text": one.peak_text, "ongoing": one.ongoing,
            **{
                name: one.rms_torque_Nm.get(seconds, math.nan)
                for name, seconds in zip(_TORQUES, _LEAD_UPS_S, strict=True)
            },
        }
        for one in found
    ]  # fmt: skip
    units = {"duration_s": "s", **dict.fromkeys(_TORQUES, "N.m")}
    return table_of(rows, _EXCURSION_COLUMNS, times=("start", "onset"), units=units)


def alert_table(recording: Recording) -> pd.DataFrame:
    """Return the alerts: see `RecordingTables.alerts`."""
    rows = [
        {
            "alert": one.number, "joint": one.joint, "limit": one.limit,
            "severity": str(one.severity), "channel": one.channel, "onset": one.onset_ns,
            "raised": one.raised_ns, "returned": one.returned_ns,
            "acknowledged": one.acknowledged_ns, "acknowledged_by": one.acknowledged_by,
            "peak": one.peak, "state": str(one.state_at(recording.end_ns)), "text": one.text,
        }
        for one in recording.read_alerts()
    ]  # fmt: skip
    times = ("onset", "raised", "returned", "acknowledged")
    return table_of(rows, _ALERT_COLUMNS, times=times, units={}, index="alert")


def event_table(recording: Recording, kind: str | None) -> pd.DataFrame:
    """Return the events: see `RecordingTables.events`."""
    known = [str(one) for one in EventKind]
    if kind is not None and kind not in known:
        raise InputError(
            f"kind: found {kind!r}, expected a kind of event.{did_you_mean(kind, known)}"
        )
    return table_of(
        [*_event_rows(recording, kind)],
        _EVENT_COLUMNS,
        times=("time",),
        units={"duration_s": "s"},
        index="time",
    )


def _event_rows(recording: Recording, kind: str | None) -> Iterator[dict[str, Any]]:
    names = [bus.name for bus in recording.bench.buses]

    def bus_name(event: Event) -> str:
        return names[event.bus] if event.bus is not None and event.bus < len(names) else ""

    for one in recording.read_events():
        if kind is None or str(one.kind) == kind:
            yield {
                "time": one.time_ns, "kind": str(one.kind), "joint": one.joint, "limit": one.limit,
                "severity": str(one.severity), "alert": one.alert, "channel": one.channel,
                "value": one.value, "duration_s": one.duration_s, "bus": bus_name(one),
                "who": one.who, "text": one.text,
            }  # fmt: skip


def bus_table(recording: Recording) -> pd.DataFrame:
    """Return the figures of the buses: see `RecordingTables.buses`."""
    seconds = extend_bus_seconds(recording)
    names = [bus.name for bus in recording.bench.buses]
    # Of a table of values there is no bus, and nothing that was counted on one.
    rows = slice(None if names else 0)
    of_all = "" if len(names) != 1 else names[0]
    columns: dict[str, Any] = {
        "bus": [names[at] if seconds.each_bus else of_all for at in seconds.bus[rows].tolist()],
        "frames_per_s": seconds.frames_per_s[rows],
        "load": seconds.load[rows],
        **{name: getattr(seconds, name)[rows] for name in _BUS_COUNTS},
    }
    units = {"frames_per_s": "1/s", "load": "1", **dict.fromkeys(_BUS_COUNTS, "1")}
    return frame(columns, time_index(seconds.time_ns[rows]), units)
