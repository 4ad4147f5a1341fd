"""The excursions of Replay in words: a line for each at once, the lead-up of a few at a time.

The lines are made without reading rows, however many there are. The lead-up, the small trace and a
peak that no event has are read for those that a page shows.
"""

import math
from collections.abc import Callable
from typing import Any, Final

import numpy as np

from dashboard.figures.pens import NO_PEN, Pens, choose_pens
from dashboard.figures.sparkline import css_mask, svg_path
from dashboard.replay.alert_order import AlertFilter, worst_first
from dashboard.text.deliveries import describe_deliveries
from dashboard.text.format import format_duration, format_elapsed, format_number
from dashboard.text.theme import STATE_BY_SEVERITY, display_of
from dashboard.text.units import Displays
from logger.limits.limit import Limit
from logger.limits.limit_lines import levels_of
from logger.limits.scored_limit import ScoredLimit
from logger.limits.words import format_value, limit_label
from replay.excursions.applied_limits import AppliedLimits
from replay.excursions.excursion import Excursion
from replay.excursions.lead_up_load import describe_loads
from replay.excursions.recorded import complete_excursions, page_of_excursions
from replay.recording import Recording
from replay.window import read_envelope

__all__ = [
    "MAX_EXCURSION_DETAILS",
    "MAX_EXCURSION_ROWS",
    "cached_labels",
    "excursion_details",
    "excursion_rows",
]

ExcursionRow = dict[str, Any]
MAX_EXCURSION_ROWS: Final = 5000
MAX_EXCURSION_DETAILS: Final = 100
"""Most details in one answer."""
EXCURSION_SPARKLINE_PX = (96, 30)
SPARKLINE_LEAD_IN_S = 600.0


def cached_labels(displays: Displays) -> Callable[[Limit], str]:
    """Return a cached `limit_label`: thousands of alerts may be of a few limits."""
    labels: dict[int, str] = {}

    def cached_label(limit: Limit) -> str:
        if id(limit) not in labels:
            labels[id(limit)] = limit_label(limit, displays)
        return labels[id(limit)]

    return cached_label


def excursion_rows(
    recording: Recording, applied: AppliedLimits, displays: Displays, pens: Pens | None = None
) -> tuple[list[ExcursionRow], int]:
    """Return a line for each excursion, trips first (`alert_order`), and how many there are.

    At most `MAX_EXCURSION_ROWS` lines: limits that chatter all day make too many for a browser.
    `pens`: the joints that are drawn; None: the first ones.
    """
    order = worst_first(applied.alerts)
    page, total = page_of_excursions(
        recording, applied, first=0, count=MAX_EXCURSION_ROWS, order=order
    )
    start_ns = recording.start_ns
    label_of = cached_labels(displays)
    joint_labels = recording.bench.labels
    pens = choose_pens(recording.joints, recording.joints) if pens is None else pens
    rows = []
    for excursion in page:
        limit = applied.limit_at_raise(excursion.limit, excursion.start_ns)
        label = label_of(limit) if limit else excursion.limit
        # A cut brings along what was raised before its beginning and had not returned.
        earlier = ", since before" if excursion.start_ns < start_ns else ""
        at_s = max(excursion.start_ns - start_ns, 0) / 1e9
        rows.append(
            {
                "mark": STATE_BY_SEVERITY[excursion.severity],
                "at_s": at_s,
                "from_s": max(excursion.onset_ns - start_ns, 0) / 1e9,
                "to_s": (excursion.start_ns - start_ns) / 1e9 + excursion.duration_s,
                "at": format_elapsed(at_s),
                "label": f"{joint_labels.get(excursion.joint, excursion.joint)} {label}{earlier}",
                "severity": excursion.severity,
                "limit": excursion.limit,
                "joint": excursion.joint,
                "joint_label": joint_labels.get(excursion.joint, excursion.joint),
                "duration": format_duration(excursion.duration_s)
                + (", and on" if excursion.ongoing else ""),
                "pen": pens.get(excursion.joint, NO_PEN),
                "peak": _peak_text(excursion, limit, displays),
            }
        )
    return rows, total


def excursion_details(
    recording: Recording,
    applied: AppliedLimits,
    displays: Displays,
    *,
    first: int,
    count: int,
    chosen: AlertFilter = AlertFilter(),  # noqa: B008 - it does not change
) -> list[ExcursionRow]:
    """Return the lead-ups and small traces of [first, first + count) of `excursion_rows`.

    At most `MAX_EXCURSION_DETAILS`. `chosen`: of those lines alone.
    """
    first, count = max(first, 0), min(max(count, 0), MAX_EXCURSION_DETAILS)
    rows = []
    page, _ = page_of_excursions(
        recording,
        applied,
        first=first,
        count=count,
        order=worst_first(applied.alerts),
        chosen=chosen.matches,
    )
    # Limits that are only tried have told nobody: their alerts have no deliveries.
    deliveries = {
        (alert.joint, alert.limit, alert.raised_ns): alert.deliveries
        for alert in applied.alerts
        if alert.deliveries
    }
    for excursion in complete_excursions(recording, applied, page):
        limit = applied.limit_at_raise(excursion.limit, excursion.start_ns)
        rows.append(
            {
                "at_s": max(excursion.start_ns - recording.start_ns, 0) / 1e9,
                "limit": excursion.limit,
                "joint": excursion.joint,
                "peak": _peak_text(excursion, limit, displays),
                "lead_up": _lead_up_text(excursion),
                "deliveries": describe_deliveries(
                    deliveries.get((excursion.joint, excursion.limit, excursion.start_ns), ()),
                    lambda at_ns: format_elapsed((at_ns - recording.start_ns) / 1e9),
                ),
                **(_excursion_sparkline(recording, excursion, limit) if excursion.channel else {}),
            }
        )
    return rows


def _peak_text(excursion: Excursion, limit: Limit | None, displays: Displays) -> str:
    """Return the peak in words, empty where it is not known."""
    if math.isnan(excursion.peak):
        return ""
    if excursion.channel:
        display = display_of(excursion.channel, displays)
        return f"{format_number(excursion.peak * display.factor, display.decimals)} {display.unit}"
    if isinstance(limit, ScoredLimit):
        when_text = " when it was raised" if excursion.peak_at_raise else ""
        return f"{format_value(limit, excursion.peak, displays)}{when_text}"
    return format_duration(excursion.peak)


def _lead_up_text(excursion: Excursion) -> str:
    """Return the lead-up of an excursion in words."""
    loads = describe_loads(excursion.load_before, excursion.rated_torque_Nm)
    texts = [f"RMS torque before: {loads}"] if loads else []
    texts += list(excursion.nearby[-2:])
    return "; ".join(texts)


def _excursion_sparkline(
    recording: Recording, excursion: Excursion, limit: Limit | None
) -> ExcursionRow:
    """Return the small trace of a lead-up: its SVG path, and where the limit picked up."""
    start = max(
        recording.start_ns, excursion.start_ns - round(min(SPARKLINE_LEAD_IN_S, 600.0) * 1e9)
    )
    after_s = min(max(excursion.duration_s, 5.0), SPARKLINE_LEAD_IN_S / 4)
    end = min(recording.end_ns, excursion.start_ns + round(after_s * 1e9))
    if end <= start:
        return {}
    trace = read_envelope(recording, excursion.joint, excursion.channel, start, end, bins=48)
    level = _exceeded_level(recording, excursion, limit)
    values = np.where(np.abs(trace.maximum) >= np.abs(trace.minimum), trace.maximum, trace.minimum)
    finite = values[np.isfinite(values)]
    if not len(finite):
        return {}
    low, high = min(float(finite.min()), level), max(float(finite.max()), level)
    room = max(high - low, 1e-9)
    width, height = EXCURSION_SPARKLINE_PX
    x = np.clip((trace.start_ns + trace.width_ns // 2 - start) / (end - start), 0.0, 1.0)
    path = svg_path(x, (values - low) / room, width=width, height=height)
    return {
        "sparkline": css_mask(path, width=width, height=height),
        # Other kinds have no level in the channel's unit to draw a line at.
        "sparkline_level": None if math.isnan(level) else (level - low) / room,
        "sparkline_at": (excursion.start_ns - start) / (end - start),
    }


def _exceeded_level(recording: Recording, excursion: Excursion, limit: Limit | None) -> float:
    """Return the level that an excursion exceeded; NaN for a kind of limit that has none."""
    lines = (
        levels_of(limit, recording.bench.joint_named(excursion.joint).rated)
        if limit is not None
        else ()
    )
    # Of two levels it is the one on the side of the peak.
    return min(
        (line.pick_up for line in lines),
        key=lambda level: abs(excursion.peak - level),
        default=math.nan,
    )
