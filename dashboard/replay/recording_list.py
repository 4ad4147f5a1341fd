"""The list of recordings: name, length, temperatures and alerts of each.

Computed once for each state of a recording. Small traces share one scale in time and in value, so
that they can be compared; they are sent as shares of that scale, which the page turns into pixels.
"""

import math
from collections.abc import Collection, Sequence
from datetime import tzinfo
from typing import Any, Final

import numpy as np

from dashboard.drawn_joints import main_temperatures
from dashboard.figures.axes import band_share
from dashboard.figures.pens import NO_PEN, choose_pens
from dashboard.figures.sparkline import css_mask, svg_path
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_elapsed, format_number, format_short_date_time
from dashboard.text.theme import STATE_BY_SEVERITY
from dashboard.text.zone import zone_name
from logger.errors import DutytraceError
from logger.limits.kinds.level import Level
from replay.recording import Recording
from replay.recordings_folder import RecordingEntry
from replay.statistics import span_statistics
from replay.window import read_envelope

__all__ = ["recording_list"]

SPARKLINE_PX: Final = (372, 24)
SPARKLINE_BINS: Final = 120
MAX_NAMED_JOINTS: Final = 4
NAMED_OF_MANY: Final = 2
"""So many of more joints are named in a row; the search finds all."""


def recording_list(cache: RecordingCache, zone: tzinfo) -> dict[str, Any]:
    """Return the rows of the list, newest first, and the length of the longest in seconds."""
    rows: list[dict[str, Any]] = []
    for entry in cache.list_entries():
        if entry.fault:
            rows.append({"path": entry.path.name, "fault": entry.fault})
            continue
        try:
            summary = cache.derive_for_list("catalogue", entry, _recording_summary)
        except (DutytraceError, OSError, ValueError) as fault:
            rows.append({"path": entry.path.name, "fault": str(fault)})
            continue
        rows.append(_list_row(entry, summary, zone))
    longest_s = max((row["length_s"] for row in rows if "length_s" in row), default=0.0)
    for row in rows:
        if "trace" in row:
            row["share"] = row["length_s"] / longest_s if longest_s else 0.0
    return {
        "folder": str(cache.folder),
        "rows": rows,
        "longest_s": longest_s,
        "zone": zone_name(zone),
    }


def _list_row(entry: RecordingEntry, summary: dict[str, Any], zone: tzinfo) -> dict[str, Any]:
    started_ns = entry.started_ns
    return {
        "path": entry.path.name,
        "name": entry.name,
        "live": entry.live,
        "begun": format_short_date_time(started_ns, zone),
        "began_s": started_ns / 1e9,
        **summary,
    }


def _recording_summary(recording: Recording) -> dict[str, Any]:
    length_s = (recording.end_ns - recording.start_ns) / 1e9
    hottest, hottest_joint = math.nan, ""
    channel_of: dict[str, str] = {}
    main_channels = main_temperatures(recording)
    for joint, channel in main_channels.items():
        if channel is None:
            continue
        channel_of[joint] = channel
        joint_maximum = span_statistics(
            recording, joint, channel, recording.start_ns, recording.end_ns
        ).maximum
        # A joint without any temperature (NaN) is not the hottest one.
        if math.isfinite(joint_maximum) and not joint_maximum <= hottest:
            hottest, hottest_joint = joint_maximum, joint
    alerts = [alert for alert in recording.read_alerts() if alert.limit]
    labels = [recording.bench.label_of(joint) for joint in recording.joints]
    return {
        "simulated": recording.manifest.simulated,
        "joints": _joints_text(labels),
        # What the search looks in, however few of them the row names.
        "joint_labels": ", ".join(labels),
        "joint_names": ", ".join(recording.joints),
        "length_s": length_s,
        "length": format_elapsed(length_s),
        "hottest": format_number(hottest, 1),
        "hottest_degC": hottest if math.isfinite(hottest) else None,
        "at": recording.bench.label_of(hottest_joint),
        # A recording of many joints has no pens before some of them are drawn.
        "pen": choose_pens((), recording.joints).get(hottest_joint, NO_PEN),
        "alerts": [
            {"mark": STATE_BY_SEVERITY[severity], "n": n}
            for severity in ("trip", "warning")
            if (n := sum(1 for alert in alerts if alert.severity == severity))
        ],
        "trace": _temperature_sparkline(recording, hottest_joint, channel_of[hottest_joint])
        if hottest_joint
        else "",
        "warning": _warning_height(recording, set(channel_of.values())),
    }


def _joints_text(labels: Sequence[str]) -> str:
    """Return the joints of a row: named where they are few, so that a row stays a row."""
    if len(labels) <= MAX_NAMED_JOINTS:
        return ", ".join(labels)
    return f"{', '.join(labels[:NAMED_OF_MANY])} and {len(labels) - NAMED_OF_MANY} more"


def _temperature_sparkline(recording: Recording, joint: str, channel: str) -> str:
    trace = read_envelope(
        recording, joint, channel, recording.start_ns, recording.end_ns, bins=SPARKLINE_BINS
    )
    span = max(recording.end_ns - recording.start_ns, 1)
    x = np.clip((trace.start_ns + trace.width_ns // 2 - recording.start_ns) / span, 0.0, 1.0)
    y = band_share(trace.maximum)
    width, height = SPARKLINE_PX
    return css_mask(svg_path(x, y, width=width, height=height), width=width, height=height)


def _warning_height(recording: Recording, temperature_channels: Collection[str]) -> float | None:
    """Return the height of the lowest temperature limit in a small trace, as a share."""
    levels = [
        limit.pick_up
        for limit in recording.limits.limits
        if isinstance(limit, Level) and limit.channel in temperature_channels and limit.rising
    ]
    if not levels:
        return None
    return band_share(min(levels))
