"""What Replay shows of one recording: strip, rows of a window, excursions, statistics of a span.

Reads from replay and returns words and figures that JSON can carry.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo
from typing import Any, Final

import numpy as np

from dashboard.drawn_joints import drawn_pens, most_urgent
from dashboard.figures.annotations import alert_spans, gap_spans, note_lines
from dashboard.figures.axes import Pen, PlotRow
from dashboard.figures.grouping import merge_alert_spans
from dashboard.figures.lines import Band, Line
from dashboard.figures.pens import MAX_PENS, NO_PEN, Pens, drawn_text
from dashboard.figures.row_choice import USUAL_ROWS, RowChoice
from dashboard.figures.rows import rows_figure, sheet_of_rows
from dashboard.figures.sheet import Sheet
from dashboard.figures.strip import strip_figure, strip_sheet
from dashboard.flag_data import count_flags
from dashboard.plot_data import (
    add_overlay_annotations,
    other_pens,
    plan_recording_rows,
    read_annotations,
    recording_limit_lines,
    recording_row_offers,
)
from dashboard.replay import excursion_rows
from dashboard.replay.alert_order import alert_stops
from dashboard.replay.attachment_rows import attachment_rows
from dashboard.replay.finding_rows import finding_rows
from dashboard.replay.not_judged_rows import not_judged_rows
from dashboard.replay.note_rows import note_rows
from dashboard.row_data import fine_bins, read_band, read_rows
from dashboard.text.format import (
    format_clock,
    format_date_time,
    format_duration,
    format_elapsed,
    format_flag,
    format_number,
)
from dashboard.text.theme import Theme
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from replay.alignment import Overlay
from replay.excursions.applied_limits import AppliedLimits, recorded_limits
from replay.recording import PARTS_A_LOOK, Recording
from replay.statistics import span_statistics
from replay.window import ChannelWindow

__all__ = ["DrawOptions", "open_view", "span_table", "window_figure"]

MAX_LIMIT_NAMES: Final = 6
"""Limits that the notice about hypothetical limits names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawOptions:
    """Size, theme, units and time zone of figures."""

    sheet: Sheet
    theme: Theme
    displays: Displays = field(default_factory=lambda: DEFAULT_DISPLAYS)
    zone: tzinfo = UTC
    """The reader's time zone."""


def open_view(
    recording: Recording,
    options: DrawOptions,
    applied: AppliedLimits | None = None,
    pens: Pens | None = None,
) -> dict[str, Any]:
    """Return what the page shows of a recording independently of the window.

    Parameters
    ----------
    applied
        The limits and alerts to show; None: as recorded.
    pens
        The joints that are drawn; None: the most urgent.
    """
    applied = applied or recorded_limits(recording)
    pens = drawn_pens(recording, applied) if pens is None else pens
    start, end = recording.start_ns, recording.end_ns
    until = f"{format_date_time(start, options.zone)} to {format_clock(end, options.zone)}"
    missing = recording.describe_missing(most_opened=PARTS_A_LOOK)
    state = "still recording" if recording.live else missing[0] if missing else "nothing missing"
    excursions, count = excursion_rows.excursion_rows(recording, applied, options.displays, pens)
    return {
        "name": recording.name,
        "path": recording.path.name,
        "live": recording.live,
        "packs": recording.manifest.ended_ns is not None,
        "when": f"{until}; {state}",
        "length_s": (end - start) / 1e9,
        "joints": _joint_choices(recording, applied, pens),
        "drawn": drawn_text(len(pens), len(recording.joints)),
        "strip": _strip_figure(recording, options, applied, pens),
        "excursions": excursions,
        "excursion_count": count,
        "notes": note_rows(recording.read_events(), start, end, options.zone),
        "findings": finding_rows(recording),
        "attachments": attachment_rows(recording),
        "not_judged": not_judged_rows(recording, applied, options.displays),
        "alert_stops": alert_stops(applied.alerts, start),
        "trip_stops": alert_stops(applied.alerts, start, trips=True),
        "other_limits": _hypothetical_text(applied),
    }


def _joint_choices(
    recording: Recording, applied: AppliedLimits, pens: Pens
) -> list[dict[str, Any]]:
    """Return what can be drawn where not all is, the most urgent first, instruments last."""
    if len(recording.joints) <= MAX_PENS:
        return []
    order = (*most_urgent(recording, applied), *recording.bench.sensors)
    labels = recording.bench.labels
    return [
        {"name": joint, "label": labels.get(joint, joint), "pen": pens.get(joint, NO_PEN)}
        for joint in order
    ]


def _hypothetical_text(applied: AppliedLimits) -> str:
    """Return a sentence that names the limits if they are not those in force; else nothing."""
    if not applied.hypothetical:
        return ""
    names = [limit.name.replace("-", " ") for limit in applied.limits.limits]
    more_text = f" and {len(names) - MAX_LIMIT_NAMES} more" if len(names) > MAX_LIMIT_NAMES else ""
    names_text = ", ".join(names[:MAX_LIMIT_NAMES]) or "none"
    return (
        f"Evaluated with other limits: {names_text}{more_text}; "
        "nothing here was raised at the time."
    )


def _strip_figure(
    recording: Recording, options: DrawOptions, applied: AppliedLimits, pens: Pens
) -> dict[str, Any]:
    sheet = strip_sheet(options.sheet)
    plan = plan_recording_rows(recording, limits=applied.limits, pens=pens)
    lines: dict[str, list[Line | Band]] = {"temperature": [], "torque": [], "current": []}
    for row in plan:
        if row.quantity not in lines:
            continue
        for pen in row.pens:
            if pen.setpoint:
                continue
            band, _ = read_band(
                ChannelWindow(
                    recording, pen.joint, pen.channel, recording.start_ns, recording.end_ns
                ),
                pen,
                bins=fine_bins(recording.end_ns - recording.start_ns, sheet.plot_width),
                factor=row.factor,
                zero_ns=recording.start_ns,
            )
            hot = row.quantity == "temperature"
            lines[row.quantity].append(
                Line(pen=pen, x=band.edges[:-1], y=band.maximum) if hot else band
            )
    power = lines["torque"] or lines["current"]
    gaps = {joint: recording.read_gaps(joint) for joint in pens}
    start = recording.start_ns
    return strip_figure(
        lines["temperature"],
        power,
        limits=recording_limit_lines(recording, plan, applied.limit_sets),
        alerts=merge_alert_spans(
            alert_spans(applied.alerts, applied.limit_sets, plan, start, options.displays),
            min_gap_s=(recording.end_ns - start) / 1e9 / max(sheet.plot_width, 1),
        ),
        gaps=gap_spans(gaps, start),
        length_s=(recording.end_ns - start) / 1e9,
        epoch_ms=start / 1e6,
        zone=options.zone,
        torque_unit="N·m" if lines["torque"] else "A",
        sheet=sheet,
        theme=options.theme,
    )


def window_figure(
    recording: Recording,
    start_s: float,
    end_s: float,
    options: DrawOptions,
    overlay: Overlay | None = None,
    *,
    applied: AppliedLimits | None = None,
    pens: Pens | None = None,
    choice: RowChoice = USUAL_ROWS,
) -> dict[str, Any]:
    """Return the figure of the rows over [start_s, end_s), seconds since the start.

    `overlay`: a second recording that is drawn over it. `applied`, `pens`: as in `open_view`.
    `choice`: the rows that the reader chose.
    """
    applied = applied or recorded_limits(recording)
    pens = drawn_pens(recording, applied) if pens is None else pens
    begin = recording.start_ns + round(start_s * 1e9)
    end = recording.start_ns + round(end_s * 1e9)
    plan = plan_recording_rows(
        recording, options.displays, applied.limits, pens, choice=choice, apart=overlay is not None
    )
    width_px = options.sheet.plot_width
    plot_rows = read_rows(recording, plan, begin, end, width_px=width_px, overlay=overlay)
    annotations = read_annotations(
        recording, plan, begin, end, displays=options.displays, applied=applied
    )
    sheet = sheet_of_rows(plot_rows, options.sheet)
    min_gap_s = (end_s - start_s) / max(sheet.plot_width, 1)
    annotations = replace(
        annotations, alerts=merge_alert_spans(annotations.alerts, min_gap_s=min_gap_s)
    )
    if overlay is not None:
        annotations = add_overlay_annotations(
            annotations, overlay, plan, start_s=start_s, end_s=end_s
        )
        labels = sum(len(row.measured) for row in plot_rows) + len(annotations.limits)
        sheet = sheet.with_room_for_labels(labels)
    return rows_figure(
        plot_rows,
        annotations,
        start_s=start_s,
        end_s=end_s,
        epoch_ms=recording.start_ns / 1e6,
        zone=options.zone,
        sheet=sheet,
        theme=options.theme,
        reads_means=True,
        offers=recording_row_offers(recording, plan),
        choice=choice,
    )


def span_table(
    recording: Recording,
    start_s: float,
    end_s: float,
    displays: Displays = DEFAULT_DISPLAYS,
    overlay: Overlay | None = None,
    *,
    applied: AppliedLimits | None = None,
    pens: Pens | None = None,
    choice: RowChoice = USUAL_ROWS,
) -> dict[str, Any]:
    """Return the exact time-weighted statistics of a span, row by row as they are drawn.

    `overlay`: a second recording, whose statistics are listed with those of the first. `applied`
    and `pens`: as in `open_view`; a channel with a limit has a row. `choice`: as in
    `window_figure`.
    """
    pens = drawn_pens(recording, applied) if pens is None else pens
    begin = recording.start_ns + round(start_s * 1e9)
    end = recording.start_ns + round(end_s * 1e9)
    later_ns = 0 if overlay is None else overlay.zero_ns - recording.start_ns
    plan = plan_recording_rows(
        recording,
        displays,
        None if applied is None else applied.limits,
        pens,
        choice=choice,
        apart=overlay is not None,
    )
    table = []
    for row in plan:
        others = () if overlay is None else other_pens(row, overlay)
        if row.is_flags:
            lines = _flag_lines(recording, row.pens, begin, end)
            if overlay is not None:
                lines += _flag_lines(overlay.recording, others, begin + later_ns, end + later_ns)
        else:
            lines = []
            for pen in row.measured_pens:
                lines.append(_span_table_row(recording, row, pen, begin, end))
                lines += [
                    _span_table_row(overlay.recording, row, other, begin + later_ns, end + later_ns)
                    for other in others
                    if overlay is not None and _lies_over(other, pen)
                ]
        lines[0] = {**lines[0], "title": row.title, "unit": row.unit}
        table += lines
    notes = [
        note.text
        for note in note_lines(recording.read_events(), recording.start_ns, recording.bench.labels)
        if start_s <= note.at_s < end_s
    ]
    when_text = (
        f"{format_elapsed(start_s, 1)} to {format_elapsed(end_s, 1)}, "
        f"{_gaps_text(recording, begin, end)}; weighted by time"
    )
    return {
        "title": f"Dragged span, {format_duration(end_s - start_s)}",
        "when": when_text,
        "other": ""
        if overlay is None
        else _other_span_text(overlay, begin + later_ns, end + later_ns),
        "notes": notes,
        "table": table,
    }


def _span_table_row(
    recording: Recording, row: PlotRow, pen: Pen, begin_ns: int, end_ns: int
) -> dict[str, Any]:
    """Return one line of the table of a span, without the title of its row."""
    statistics = span_statistics(recording, pen.joint, pen.channel, begin_ns, end_ns)
    decimals = row.decimals if row.quantity != "temperature" else 1
    plain = row.quantity in {"temperature", "position"}
    return {
        "title": "",
        "unit": "",
        "joint": pen.joint_label,
        "place": pen.place or row.place,
        "words": "",
        "pen": pen.number,
        "other": pen.other,
        "minimum": format_number(statistics.minimum * row.factor, decimals),
        "mean": format_number(statistics.mean * row.factor, decimals),
        "maximum": format_number(statistics.maximum * row.factor, decimals),
        "rms": "" if plain else format_number(statistics.rms * row.factor, decimals),
    }


def _lies_over(other: Pen, pen: Pen) -> bool:
    return (other.number, other.channel) == (pen.number, pen.channel)


def _flag_lines(
    recording: Recording, pens: Sequence[Pen], begin_ns: int, end_ns: int
) -> list[dict[str, Any]]:
    """Return a line for each flag: how often it came on in the span, and for what share of it."""
    edges_ns = np.array([begin_ns, end_ns], np.int64)
    return [
        {
            "title": "",
            "unit": "",
            "joint": pen.joint_label,
            "place": pen.flag,
            "words": format_flag(
                bins.count if flag.is_counted else 0,
                bins.share if flag.lasts else math.nan,
                is_least=flag.is_least,
            ),
            "pen": pen.number,
            "other": pen.other,
            **dict.fromkeys(("minimum", "mean", "maximum", "rms"), ""),
        }
        for pen, (flag, bins) in zip(pens, count_flags(recording, pens, edges_ns), strict=True)
    ]


def _gaps_text(recording: Recording, begin_ns: int, end_ns: int) -> str:
    missing_s = sum(
        max(0, min(gap[1], end_ns) - max(gap[0], begin_ns)) / 1e9
        for joint in recording.joints
        for gap in recording.read_gaps(joint)
    )
    return f"gaps of {format_duration(missing_s)}" if missing_s else "no gap"


def _other_span_text(overlay: Overlay, begin_ns: int, end_ns: int) -> str:
    """Return which span of the second recording it is, in its own time, in words."""
    overlaid = overlay.recording
    held_ns = min(end_ns, overlaid.end_ns) - max(begin_ns, overlaid.start_ns)
    if held_ns <= 0:
        return "other: nothing of it lies within this span"
    begin_s, end_s = ((at_ns - overlaid.start_ns) / 1e9 for at_ns in (begin_ns, end_ns))
    part_text = (
        "" if held_ns == end_ns - begin_ns else f", {format_duration(held_ns / 1e9)} of it recorded"
    )
    return (
        f"other: {overlaid.name}, {format_elapsed(begin_s, 1)} to {format_elapsed(end_s, 1)} "
        f"of its own time{part_text}, {_gaps_text(overlaid, begin_ns, end_ns)}"
    )
