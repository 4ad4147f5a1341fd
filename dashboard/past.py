"""What Replay shows of one recording: strip, rows of a window, excursions, a span's figures.

Asks replay and puts the answers into words and figures; everything leaves as JSON can carry it.
"""

import math
from dataclasses import dataclass, field
from datetime import timezone
from typing import Any

import numpy as np

from dashboard.figures.axes import Pen, Planned
from dashboard.figures.furniture import alert_spans, gap_spans, note_lines
from dashboard.figures.lines import Band, Line
from dashboard.figures.reading import (
    furniture_of,
    furniture_over,
    limit_lines_of,
    other_pens,
    plan_of,
    read_band,
    read_row,
)
from dashboard.figures.rows import rows_figure
from dashboard.figures.sheet import Sheet
from dashboard.figures.small import mask_of, path_of
from dashboard.figures.strip import strip_figure, strip_sheet
from dashboard.theme import MARKS, Theme, clock, day, display_of, elapsed, number, span_words
from dashboard.units import PLAIN, Displays
from logger.limits.kind import Kind
from logger.limits.limit import Limit, LimitSet, in_force
from logger.limits.lines import lines_of
from logger.limits.words import label, worth
from replay.alignment import Laid
from replay.excursions import Excursion, excursions
from replay.recording import Recording
from replay.statistics import figures
from replay.window import Look, envelope

__all__ = ["Drawn", "opened", "rows", "span"]

TINY_PX = (96, 30)
LEAD_IN_S = 600.0
Sets = tuple[tuple[int, LimitSet], ...]
"""Since when which limits were in force."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """How large, in which theme and in which units a figure is drawn."""

    sheet: Sheet
    theme: Theme
    displays: Displays = field(default_factory=lambda: PLAIN)


def opened(recording: Recording, drawn: Drawn, where: timezone) -> dict[str, Any]:
    """Return what stands on the page however the window is chosen."""
    start, end = recording.start_ns, recording.end_ns
    until = f"{day(start, where)}, {clock(start, where)} to {clock(end, where)}"
    missing = recording.missing()
    state = "still recording" if recording.live else missing[0] if missing else "nothing missing"
    found = excursions(recording)
    sets = recording.limit_sets
    times = [one.start_ns for one in found] + [
        event.time_ns for event in recording.events() if event.kind in {"note", "bus lost"}
    ]
    times += [gap[0] for joint in recording.joints for gap in recording.gaps(joint)]
    return {
        "name": recording.name,
        "path": recording.path.name,
        "live": recording.live,
        "packs": recording.manifest.ended_ns is not None,
        "when": f"{until}; {state}",
        "length_s": (end - start) / 1e9,
        "strip": _strip(recording, drawn, sets),
        "excursions": [_excursion(recording, one, sets, drawn.displays) for one in found],
        "events": sorted({round((time - start) / 1e9, 3) for time in times}),
    }


def _strip(recording: Recording, drawn: Drawn, sets: Sets) -> dict[str, Any]:
    sheet = strip_sheet(drawn.sheet)
    plan = plan_of(recording)
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
        limits=limit_lines_of(recording, plan, sets),
        alerts=alert_spans(recording.alerts(), sets, plan, start, drawn.displays),
        gaps=gap_spans(gaps, start),
        length_s=(recording.end_ns - start) / 1e9,
        epoch_ms=start / 1e6,
        torque_unit="N·m" if lines["torque"] else "A",
        sheet=sheet,
        theme=drawn.theme,
    )


def _excursion(
    recording: Recording, one: Excursion, sets: Sets, displays: Displays
) -> dict[str, Any]:
    start = recording.start_ns
    limit = in_force(sets, one.start_ns).named(one.limit)
    at_s, begun_s = (one.start_ns - start) / 1e9, (one.onset_ns - start) / 1e9
    told = {
        "mark": MARKS[one.severity],
        "at_s": at_s,
        "from_s": begun_s,
        "to_s": at_s + one.duration_s,
        "at": elapsed(at_s),
        "words": f"{one.joint} {label(limit, displays) if limit else one.limit}",
        "severity": one.severity,
        "limit": one.limit,
        "lasted": span_words(one.duration_s) + (", and on" if one.ongoing else ""),
        "pen": recording.joints.index(one.joint) + 1,
        "led": _led(one),
    }
    if one.channel:
        display = display_of(one.channel, displays)
        told["peak"] = f"{number(one.peak * display.factor, display.decimals)} {display.unit}"
        told |= _tiny(recording, one, limit)
    elif isinstance(limit, Kind):
        told["peak"] = worth(limit, one.peak, displays)
    else:
        told["peak"] = span_words(one.peak)
    return told


def _led(one: Excursion) -> str:
    """Say what led up to an excursion."""
    said = []
    rms = {seconds: value for seconds, value in one.rms_torque_Nm.items() if math.isfinite(value)}
    if rms:
        values = ", ".join(number(value, 1) for value in rms.values())
        spans = ", ".join(f"{seconds // 60}" for seconds in rms)
        rated = f" of {one.rated_torque_Nm:g} N·m rated" if one.rated_torque_Nm else " N·m"
        said.append(f"RMS torque {values}{rated} over {spans} min before")
    said += list(one.near[-2:])
    return "; ".join(said)


def _tiny(recording: Recording, one: Excursion, limit: Limit | None) -> dict[str, Any]:
    """Return the small trace of what led up to an excursion: its path and where it picked up."""
    start = max(recording.start_ns, one.start_ns - round(min(LEAD_IN_S, 600.0) * 1e9))
    after_s = min(max(one.duration_s, 5.0), LEAD_IN_S / 4)
    end = min(recording.end_ns, one.start_ns + round(after_s * 1e9))
    if end <= start:
        return {}
    shape = envelope(recording, one.joint, one.channel, start, end, bins=48)
    level = _level(recording, one, limit)
    values = np.where(np.abs(shape.maximum) >= np.abs(shape.minimum), shape.maximum, shape.minimum)
    held = values[np.isfinite(values)]
    if not len(held):
        return {}
    low, high = min(float(held.min()), level), max(float(held.max()), level)
    room = max(high - low, 1e-9)
    width, height = TINY_PX
    x = np.clip((shape.start_ns + shape.width_ns // 2 - start) / (end - start), 0.0, 1.0)
    path = path_of(x, (values - low) / room, width=width, height=height)
    return {
        "tiny": mask_of(path, width=width, height=height),
        # Other kinds have no level in the channel's unit to draw a line at.
        "tiny_level": None if math.isnan(level) else (level - low) / room,
        "tiny_at": (one.start_ns - start) / (end - start),
    }


def _level(recording: Recording, one: Excursion, limit: Limit | None) -> float:
    """Return the level that an excursion went beyond; NaN for a kind of limit that has none."""
    lines = lines_of(limit, recording.bench.joint(one.joint).rated) if limit is not None else ()
    # Of two it is the one on whose side the peak lies.
    return min(
        (line.pick_up for line in lines), key=lambda at: abs(one.peak - at), default=math.nan
    )


def rows(
    recording: Recording, start_s: float, end_s: float, drawn: Drawn, over: Laid | None = None
) -> dict[str, Any]:
    """Return the figure of the rows over [start_s, end_s), seconds since the start.

    `over`: a second recording that is drawn over it.
    """
    begin = recording.start_ns + round(start_s * 1e9)
    end = recording.start_ns + round(end_s * 1e9)
    plan = plan_of(recording, drawn.displays)
    width_px = drawn.sheet.plot_width
    read = [read_row(recording, row, begin, end, width_px=width_px, over=over) for row in plan]
    furniture = furniture_of(recording, plan, begin, end, displays=drawn.displays)
    sheet = drawn.sheet
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
) -> dict[str, Any]:
    """Return the exact figures of a dragged span, time-weighted.

    `over`: a second recording whose figures stand beside those of the first.
    """
    begin = recording.start_ns + round(start_s * 1e9)
    end = recording.start_ns + round(end_s * 1e9)
    later_ns = 0 if over is None else over.zero_ns - recording.start_ns
    table = []
    for row in plan_of(recording, displays):
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
