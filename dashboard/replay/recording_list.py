"""The list of recordings: what each one is, how long, how hot, and what was raised in it.

Worked out once for each state of a recording. Small traces share one scale, in time and in value,
so that they can be compared at a glance; shares of that scale leave here, pixels are the page's.
"""

import math
from datetime import timezone
from typing import Any, Final

import numpy as np

from dashboard.figures.axes import main_temperature
from dashboard.figures.sparkline import mask_of, path_of
from dashboard.plot_data import plan_of
from dashboard.server.recording_cache import Shelf
from dashboard.text.theme import LIGHT, MARKS, begun, elapsed, number
from logger.errors import DutytraceError
from logger.limits.limit import Level
from replay.recording import Found, Recording
from replay.statistics import figures
from replay.window import envelope

__all__ = ["catalogue"]

TRACE_PX: Final = (372, 24)
TRACE_BINS: Final = 120
COLDEST_DEGC, HOTTEST_DEGC = 20.0, 90.0


def catalogue(shelf: Shelf, where: timezone) -> dict[str, Any]:
    """Return the rows of the list, newest first, and the length of the longest in seconds."""
    rows: list[dict[str, Any]] = []
    for found in shelf.found():
        if found.fault:
            rows.append({"path": found.path.name, "fault": found.fault})
            continue
        try:
            told = shelf.listed("catalogue", found, _told)
        except (DutytraceError, OSError, ValueError) as fault:
            rows.append({"path": found.path.name, "fault": str(fault)})
            continue
        rows.append(_row(found, told, where))
    longest = max((row["length_s"] for row in rows if "length_s" in row), default=0.0)
    for row in rows:
        if "trace" in row:
            row["share"] = row["length_s"] / longest if longest else 0.0
    return {"folder": str(shelf.folder), "rows": rows, "longest_s": longest}


def _row(found: Found, told: dict[str, Any], where: timezone) -> dict[str, Any]:
    began = found.started_ns
    return {
        "path": found.path.name,
        "name": found.name,
        "live": found.live,
        "begun": begun(began, where),
        "began_s": began / 1e9,
        **told,
    }


def _told(recording: Recording) -> dict[str, Any]:
    length_s = (recording.end_ns - recording.start_ns) / 1e9
    hottest, at, pen = math.nan, "", 1
    channel_of: dict[str, str] = {}
    for index, joint in enumerate(recording.joints, start=1):
        watched = {
            limit.channel
            for limit in recording.limits.for_joint(joint, recording.channels(joint))
            if hasattr(limit, "channel")
        }
        channel = main_temperature(recording.channels(joint), watched)
        if channel is None:
            continue
        channel_of[joint] = channel
        reached = figures(recording, joint, channel, recording.start_ns, recording.end_ns).maximum
        # A joint whose thermometer never told anything is not the hottest one.
        if math.isfinite(reached) and not reached <= hottest:
            hottest, at, pen = reached, joint, index
    alerts = [alert for alert in recording.alerts() if alert.limit]
    return {
        "simulated": recording.manifest.simulated,
        "joints": ", ".join(recording.joints),
        "length_s": length_s,
        "length": elapsed(length_s),
        "hottest": number(hottest, 1),
        "hottest_degC": hottest if math.isfinite(hottest) else None,
        "at": at,
        "pen": (pen - 1) % len(LIGHT.pens) + 1,
        "alerts": [
            {"mark": MARKS[severity], "n": n}
            for severity in ("trip", "warning")
            if (n := sum(1 for alert in alerts if alert.severity == severity))
        ],
        "trace": _trace(recording, at, channel_of[at]) if at else "",
        "warning": _warning(recording),
    }


def _trace(recording: Recording, joint: str, channel: str) -> str:
    shape = envelope(
        recording, joint, channel, recording.start_ns, recording.end_ns, bins=TRACE_BINS
    )
    span = max(recording.end_ns - recording.start_ns, 1)
    x = np.clip((shape.start_ns + shape.width_ns // 2 - recording.start_ns) / span, 0.0, 1.0)
    y = (shape.maximum - COLDEST_DEGC) / (HOTTEST_DEGC - COLDEST_DEGC)
    width, height = TRACE_PX
    return mask_of(path_of(x, y, width=width, height=height), width=width, height=height)


def _warning(recording: Recording) -> float | None:
    """Return how high the lowest temperature limit lies in a small trace, as a share."""
    rows = plan_of(recording)
    watched = {pen.channel for row in rows if row.quantity == "temperature" for pen in row.pens}
    levels = [
        limit.pick_up
        for limit in recording.limits.limits
        if isinstance(limit, Level) and limit.channel in watched and limit.rising
    ]
    if not levels:
        return None
    return (min(levels) - COLDEST_DEGC) / (HOTTEST_DEGC - COLDEST_DEGC)
