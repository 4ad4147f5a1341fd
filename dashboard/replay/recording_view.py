"""What Replay shows of one recording: strip, rows of a window, excursions, a span's figures.

Asks replay and puts the answers into words and figures; everything leaves as JSON can carry it.
"""

from dataclasses import dataclass, field, replace
from datetime import timezone
from typing import Any, Final

from dashboard.figures.annotations import alert_spans, gap_spans, merged_spans, note_lines
from dashboard.figures.axes import Pen, Planned
from dashboard.figures.lines import Band, Line
from dashboard.figures.rows import rows_figure
from dashboard.figures.sheet import Sheet
from dashboard.figures.strip import strip_figure, strip_sheet
from dashboard.plot_data import (
    furniture_of,
    furniture_over,
    limit_lines_of,
    other_pens,
    plan_of,
    read_band,
    read_row,
)
from dashboard.replay import excursion_rows
from dashboard.text.theme import Theme, clock, day, elapsed, number, span_words
from dashboard.text.units import PLAIN, Displays
from replay.alignment import Laid
from replay.excursions.applied_limits import Watch, recorded
from replay.recording import Recording
from replay.statistics import figures
from replay.window import Look

__all__ = ["Drawn", "opened", "rows", "span"]

MOST_NAMES: Final = 6
"""Limits that are named where it is said which judge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """How large, in which theme and in which units a figure is drawn."""

    sheet: Sheet
    theme: Theme
    displays: Displays = field(default_factory=lambda: PLAIN)


def opened(
    recording: Recording, drawn: Drawn, where: timezone, watch: Watch | None = None
) -> dict[str, Any]:
    """Return what stands on the page however the window is chosen.

    `watch`: what was in force and was raised; left away, that which was recorded.
    """
    watch = watch or recorded(recording)
    start, end = recording.start_ns, recording.end_ns
    until = f"{day(start, where)}, {clock(start, where)} to {clock(end, where)}"
    missing = recording.missing()
    state = "still recording" if recording.live else missing[0] if missing else "nothing missing"
    found, count = excursion_rows.lines(recording, watch, drawn.displays)
    times = [event.time_ns for event in recording.events() if event.kind in {"note", "bus lost"}]
    times += [gap[0] for joint in recording.joints for gap in recording.gaps(joint)]
    return {
        "name": recording.name,
        "path": recording.path.name,
        "live": recording.live,
        "packs": recording.manifest.ended_ns is not None,
        "when": f"{until}; {state}",
        "length_s": (end - start) / 1e9,
        "strip": _strip(recording, drawn, watch),
        "excursions": found,
        "excursion_count": count,
        "events": sorted(
            {round((time - start) / 1e9, 3) for time in times}
            | {round(one["at_s"], 3) for one in found}
        ),
        "judged": _judged(watch),
    }


def _judged(watch: Watch) -> str:
    """Say that other limits judge than those that were in force; empty: they do not."""
    if not watch.others:
        return ""
    names = [limit.name.replace("-", " ") for limit in watch.limits.limits]
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    named = ", ".join(names[:MOST_NAMES]) or "none"
    return f"Judged by other limits: {named}{more}; nothing here was raised at the time."


def _strip(recording: Recording, drawn: Drawn, watch: Watch) -> dict[str, Any]:
    sheet = strip_sheet(drawn.sheet)
    plan = plan_of(recording, limits=watch.limits)
    lines: dict[str, list[Line | Band]] = {"temperature": [], "torque": [], "current": []}
    for row in plan:
        if row.quantity not in lines:
            continue
        for pen in row.pens:
            if pen.setpoint:
                continue
            band, _ = read_band(
                Look(recording, pen.joint, pen.channel, recording.start_ns, recording.end_ns),
                pen,
                bins=max(60, sheet.plot_width // 2),
                factor=row.factor,
                zero_ns=recording.start_ns,
            )
            hot = row.quantity == "temperature"
            lines[row.quantity].append(Line(pen=pen, x=band.x, y=band.maximum) if hot else band)
    power = lines["torque"] or lines["current"]
    gaps = {joint: recording.gaps(joint) for joint in recording.joints}
    start = recording.start_ns
    return strip_figure(
        lines["temperature"],
        power,
        limits=limit_lines_of(recording, plan, watch.sets),
        alerts=merged_spans(
            alert_spans(watch.alerts, watch.sets, plan, start, drawn.displays),
            least_s=(recording.end_ns - start) / 1e9 / max(sheet.plot_width, 1),
        ),
        gaps=gap_spans(gaps, start),
        length_s=(recording.end_ns - start) / 1e9,
        epoch_ms=start / 1e6,
        torque_unit="N·m" if lines["torque"] else "A",
        sheet=sheet,
        theme=drawn.theme,
    )


def rows(
    recording: Recording,
    start_s: float,
    end_s: float,
    drawn: Drawn,
    over: Laid | None = None,
    *,
    watch: Watch | None = None,
) -> dict[str, Any]:
    """Return the figure of the rows over [start_s, end_s), seconds since the start.

    `over`: a second recording that is drawn over it. `watch`: as in `opened`.
    """
    watch = watch or recorded(recording)
    begin = recording.start_ns + round(start_s * 1e9)
    end = recording.start_ns + round(end_s * 1e9)
    plan = plan_of(recording, drawn.displays, watch.limits)
    width_px = drawn.sheet.plot_width
    read = [read_row(recording, row, begin, end, width_px=width_px, over=over) for row in plan]
    furniture = furniture_of(recording, plan, begin, end, displays=drawn.displays, watch=watch)
    sheet = drawn.sheet
    least_s = (end_s - start_s) / max(sheet.plot_width, 1)
    furniture = replace(furniture, alerts=merged_spans(furniture.alerts, least_s=least_s))
    if over is not None:
        furniture = furniture_over(furniture, over, plan, start_s=start_s, end_s=end_s)
        labels = sum(len(row.measured) for row in read) + len(furniture.limits)
        sheet = sheet.with_room_for(labels)
    return rows_figure(
        read,
        furniture,
        start_s=start_s,
        end_s=end_s,
        epoch_ms=recording.start_ns / 1e6,
        sheet=sheet,
        theme=drawn.theme,
    )


def span(
    recording: Recording,
    start_s: float,
    end_s: float,
    displays: Displays = PLAIN,
    over: Laid | None = None,
    *,
    watch: Watch | None = None,
) -> dict[str, Any]:
    """Return the exact figures of a dragged span, time-weighted.

    `over`: a second recording whose figures stand beside those of the first. `watch`: as in
    `opened`; a channel that its limits are on has a row.
    """
    begin = recording.start_ns + round(start_s * 1e9)
    end = recording.start_ns + round(end_s * 1e9)
    later_ns = 0 if over is None else over.zero_ns - recording.start_ns
    table = []
    for row in plan_of(recording, displays, None if watch is None else watch.limits):
        others = () if over is None else other_pens(row, over.recording)
        first = True
        for pen in row.measured:
            told = [_told(recording, row, pen, begin, end)]
            if over is not None:
                told += [
                    _told(over.recording, row, other, begin + later_ns, end + later_ns)
                    for other in others
                    if other.joint == pen.joint
                ]
            for one in told:
                table.append({**one, "title": row.title, "unit": row.unit} if first else one)
                first = False
    notes = [
        note.text
        for note in note_lines(recording.events(), recording.start_ns)
        if start_s <= note.at_s < end_s
    ]
    when = (
        f"{elapsed(start_s, tenths=True)} to {elapsed(end_s, tenths=True)}, "
        f"{_gaps_within(recording, begin, end)}; weighted by time"
    )
    return {
        "title": f"Dragged span, {span_words(end_s - start_s)}",
        "when": when,
        "other": "" if over is None else _other_when(over, begin + later_ns, end + later_ns),
        "notes": notes,
        "table": table,
    }


def _told(
    recording: Recording, row: Planned, pen: Pen, begin_ns: int, end_ns: int
) -> dict[str, Any]:
    """Return one line of a span's table, without its row's title."""
    found = figures(recording, pen.joint, pen.channel, begin_ns, end_ns)
    decimals = row.decimals if row.quantity != "temperature" else 1
    plain = row.quantity in {"temperature", "position"}
    return {
        "title": "",
        "unit": "",
        "joint": pen.joint,
        "pen": pen.number,
        "other": pen.other,
        "minimum": number(found.minimum * row.factor, decimals),
        "mean": number(found.mean * row.factor, decimals),
        "maximum": number(found.maximum * row.factor, decimals),
        "rms": "" if plain else number(found.rms * row.factor, decimals),
    }


def _gaps_within(recording: Recording, begin_ns: int, end_ns: int) -> str:
    missing_s = sum(
        max(0, min(gap[1], end_ns) - max(gap[0], begin_ns)) / 1e9
        for joint in recording.joints
        for gap in recording.gaps(joint)
    )
    return f"gaps of {span_words(missing_s)}" if missing_s else "no gap"


def _other_when(over: Laid, begin_ns: int, end_ns: int) -> str:
    """Say which stretch of the second recording a span is, in its own time."""
    other = over.recording
    held_ns = min(end_ns, other.end_ns) - max(begin_ns, other.start_ns)
    if held_ns <= 0:
        return "other: nothing of it lies within this span"
    begin_s, end_s = ((at_ns - other.start_ns) / 1e9 for at_ns in (begin_ns, end_ns))
    part = "" if held_ns == end_ns - begin_ns else f", {span_words(held_ns / 1e9)} of it recorded"
    return (
        f"other: {other.name}, {elapsed(begin_s, tenths=True)} to {elapsed(end_s, tenths=True)} "
        f"of its own time{part}, {_gaps_within(other, begin_ns, end_ns)}"
    )
