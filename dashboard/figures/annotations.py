"""What stands in a figure beside the data: limits, alert spans, gaps, notes.

Each thing is given twice: as plotly shapes in data coordinates, and as words for the lane above the
rows and for the right margin, which `assets/draw.js` sets where there is room. An end that is still
open is None and moves with the reader's now. Pure.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from dashboard.figures.axes import PlotRow
from dashboard.text.theme import STATE_BY_SEVERITY, Theme, format_duration, format_number
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.event_kind import EventKind
from logger.joint.bench.joint_settings import RatedValues
from logger.limits.bus import RecorderLimit
from logger.limits.level import Band, Level, RatedLevel
from logger.limits.levels import LimitLevel, levels_of
from logger.limits.lifecycle import Alert
from logger.limits.limit import Limit, LimitSet, in_force
from logger.limits.touch import TouchTemperature
from logger.limits.words import limit_label
from logger.store.layout.events import Event

__all__ = [
    "AlertSpan",
    "Annotations",
    "GapSpan",
    "LimitLine",
    "NoteLine",
    "alert_spans",
    "annotation_shapes",
    "gap_spans",
    "lane_marks",
    "limit_line_extent",
    "limit_lines",
    "merge_alert_spans",
    "note_lines",
    "other_gap",
]

MIN_GAP_PX = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """One level of a limit in one row, in shown units."""

    row: int
    mark: str
    pick_up: float
    drop_off: float | None
    text: str
    short: str
    start_s: float | None = None
    """Since when it holds, seconds since the recording's start; None: since that."""
    end_s: float | None = None
    """Until when; None: it holds still."""

    def is_in_force_within(self, begin_s: float, end_s: float) -> bool:
        """Return whether it holds anywhere in [begin_s, end_s)."""
        begun = self.start_s is None or self.start_s < end_s
        return begun and (self.end_s is None or self.end_s > begin_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertSpan:
    """An alert from its raising to its end; seconds since the recording's start."""

    row: int | None
    start_s: float
    end_s: float | None
    mark: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSpan:
    """A stretch without frames."""

    start_s: float
    end_s: float | None
    text: str
    other: bool = False
    """Of a second recording, laid over the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLine:
    """A note, at the moment at which it was written."""

    at_s: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Annotations:
    """Everything that stands in a window."""

    limits: tuple[LimitLine, ...] = ()
    alerts: tuple[AlertSpan, ...] = ()
    gaps: tuple[GapSpan, ...] = ()
    notes: tuple[NoteLine, ...] = ()


def limit_lines(
    sets: Sequence[tuple[int, LimitSet]],
    rows: Sequence[PlotRow],
    rated: Mapping[str, RatedValues],
    start_ns: int,
) -> tuple[LimitLine, ...]:
    """Return the levels that limits have on the channels that the rows show, each line once.

    A line stands where its limits were in force. One that holds for some joints of its row only
    names them where others have one too.

    Parameters
    ----------
    sets
        Since when which limits were in force, in order of time, the first since the start.
    rated
        Joint -> its rated values, of which some limits are shares.
    """
    boundaries_s: list[float | None] = [
        None,
        *((from_ns - start_ns) / 1e9 for from_ns, _ in sets[1:]),
        None,
    ]
    lines: list[LimitLine] = []
    for (begin_s, end_s), (_, limits) in zip(pairwise(boundaries_s), sets, strict=True):
        for line in _limit_set_lines(limits, rows, rated):
            new_line = replace(line, start_s=begin_s, end_s=end_s)
            # What is the same before and after a taking over is one line.
            ended_line = replace(line, start_s=None, end_s=begin_s)
            same_index = next(
                (
                    index
                    for index, earlier_line in enumerate(lines)
                    if begin_s is not None and replace(earlier_line, start_s=None) == ended_line
                ),
                None,
            )
            if same_index is None:
                lines.append(new_line)
            else:
                lines[same_index] = replace(new_line, start_s=lines[same_index].start_s)
    return tuple(lines)


def _limit_set_lines(
    limits: LimitSet, rows: Sequence[PlotRow], rated: Mapping[str, RatedValues]
) -> Iterator[LimitLine]:
    for index, row in enumerate(rows):
        for limit in limits.limits:
            yield from _row_lines(limit, limits, index, row, rated)


def _row_lines(
    limit: Limit, limits: LimitSet, index: int, row: PlotRow, rated: Mapping[str, RatedValues]
) -> Iterator[LimitLine]:
    if isinstance(limit, RecorderLimit):
        return
    joints_by_level: dict[LimitLevel, list[str]] = {}
    channel_by_joint = {pen.joint: pen.channel for pen in row.measured_pens}
    for joint, channel in channel_by_joint.items():
        if limit.joint not in {None, joint}:
            continue
        for level in levels_of(limit, rated[joint]):
            if level.channel == channel:
                joints_by_level.setdefault(level, []).append(joint)
    for level, level_joints in joints_by_level.items():
        # A share of the rated value lies at another height for each joint.
        differs_by_joint = any(
            other_level.is_rising == level.is_rising
            and other_level != level
            and other_joints != level_joints
            for other_level, other_joints in joints_by_level.items()
        )
        names_joints = differs_by_joint or (
            limit.joint is not None and _count_limits_on_channel(limits, level) > 1
        )
        pick_up = level.pick_up * row.factor
        drop_off = None if level.drop_off is None else level.drop_off * row.factor
        below = "" if level.is_rising else "below "
        drop_off_text = "" if drop_off is None else f", off at {_level_text(drop_off, row)}"
        joints_text = f"{', '.join(level_joints)} " if names_joints else ""
        touch = "touch " if isinstance(limit, TouchTemperature) else ""
        yield LimitLine(
            row=index,
            mark=STATE_BY_SEVERITY[level.severity],
            pick_up=pick_up,
            drop_off=drop_off,
            text=f"{joints_text}{touch}{level.severity} {below}{_level_text(pick_up, row)}{drop_off_text}",
            short=_level_text(pick_up, row),
        )


def _level_text(value: float, row: PlotRow) -> str:
    return format_number(value, row.decimals if round(value, 6) % 1 else 0)


def _count_limits_on_channel(limits: LimitSet, level: LimitLevel) -> int:
    """Return how many limits of one severity have levels on one channel."""
    return sum(
        other_limit.channel == level.channel and other_limit.severity == level.severity
        for other_limit in limits.limits
        if isinstance(other_limit, Level | RatedLevel | Band | TouchTemperature)
    )


def alert_spans(
    alerts: Sequence[Alert],
    sets: Sequence[tuple[int, LimitSet]],
    rows: Sequence[PlotRow],
    start_ns: int,
    displays: Displays = DEFAULT_DISPLAYS,
) -> tuple[AlertSpan, ...]:
    """Return every alert as a span; `row` is None when no row shows its channel.

    An alert is told in the words of the limits that were in force when it was raised (`sets`).
    """
    spans = []
    row_of: dict[tuple[str, str], int] = {}
    for index, plan in enumerate(rows):
        for pen in plan.pens:
            row_of.setdefault((pen.joint, pen.channel), index)
    # Thousands of alerts are of a few limits.
    labels: dict[int, str] = {}
    for alert in alerts:
        row = row_of.get((alert.joint, alert.channel))
        limit = in_force(sets, alert.raised_ns).by_name(alert.limit)
        names_joint = row is None or limit is None or limit.kind == "silence"
        joint_text = f"{alert.joint} " if alert.joint and names_joint else ""
        if limit is not None and id(limit) not in labels:
            labels[id(limit)] = limit_label(limit, displays)
        limit_text = alert.limit.replace("-", " ") if limit is None else labels[id(limit)]
        # A recording that was cut out begins with what stood there already.
        earlier_text = ", since before" if alert.raised_ns < start_ns else ""
        text = f"{joint_text}{limit_text}{earlier_text}"
        spans.append(
            AlertSpan(
                row=row,
                start_s=max(alert.raised_ns - start_ns, 0) / 1e9,
                end_s=None
                if alert.returned_ns is None
                else max(alert.returned_ns - start_ns, 0) / 1e9,
                mark=STATE_BY_SEVERITY.get(alert.severity, "abnormal"),
                text=text,
            )
        )
    return tuple(spans)


def merge_alert_spans(spans: Sequence[AlertSpan], *, min_gap_s: float) -> tuple[AlertSpan, ...]:
    """Return spans of which those of one row and mark that lie closer than `min_gap_s` are one.

    What is nearer than a pixel cannot be told apart; of thousands a browser would draw for seconds.
    """
    merged: list[AlertSpan] = []
    counts: list[int] = []
    newest: dict[tuple[int | None, str], int] = {}
    for span in sorted(spans, key=lambda span: span.start_s):
        key = (span.row, span.mark)
        index = newest.get(key)
        end_s = merged[index].end_s if index is not None else None
        if index is None or end_s is None or span.end_s is None or span.start_s - end_s > min_gap_s:
            newest[key] = len(merged)
            merged.append(span)
            counts.append(1)
            continue
        previous, counts[index] = merged[index], counts[index] + 1
        same_text = span.text == previous.text
        merged[index] = replace(
            previous, end_s=max(end_s, span.end_s), text=previous.text if same_text else ""
        )
    return tuple(
        span if count == 1 else replace(span, text=_count_text(span.text, count))
        for span, count in zip(merged, counts, strict=True)
    )


def _count_text(text: str, count: int) -> str:
    return f"{text}, {count} times" if text else f"{count} alerts"


def gap_spans(
    gaps: dict[str, list[tuple[int, int]]],
    start_ns: int,
    *,
    open_from_ns: int | None = None,
    open_at_ns: int | None = None,
) -> tuple[GapSpan, ...]:
    """Return the gaps of all joints, those of one stretch merged and named after their joints.

    Parameters
    ----------
    gaps
        Joint -> its gaps as (start_ns, end_ns), every joint of the figure a key.
    open_from_ns
        A gap from there to now that has not ended: the logger stopped.
    open_at_ns
        A gap that reaches as far goes on: a joint is silent while others speak.
    """
    marked = sorted((begin, end, joint) for joint, spans in gaps.items() for begin, end in spans)
    merged: list[tuple[int, int, set[str]]] = []
    for begin, end, joint in marked:
        if merged and begin < merged[-1][1]:
            first_ns, last_ns, silent_joints = merged[-1]
            merged[-1] = (first_ns, max(last_ns, end), silent_joints | {joint})
        else:
            merged.append((begin, end, {joint}))
    spans = []
    for begin, end, silent_joints in merged:
        if open_from_ns is not None and end > open_from_ns:
            continue
        joints_text = (
            "" if silent_joints == set(gaps) else f" from {', '.join(sorted(silent_joints))}"
        )
        if open_at_ns is not None and end >= open_at_ns:
            began_s = (begin - start_ns) / 1e9
            spans.append(GapSpan(start_s=began_s, end_s=None, text=f"no frames{joints_text} for "))
            continue
        spans.append(
            GapSpan(
                start_s=(begin - start_ns) / 1e9,
                end_s=(end - start_ns) / 1e9,
                text=f"no frames{joints_text}, {format_duration((end - begin) / 1e9)}",
            )
        )
    if open_from_ns is not None:
        spans.append(
            GapSpan(start_s=(open_from_ns - start_ns) / 1e9, end_s=None, text="no frames for ")
        )
    return tuple(spans)


def other_gap(gap: GapSpan) -> GapSpan:
    """Return a gap as one of a second recording, laid over the first."""
    return replace(gap, text=f"other: {gap.text}", other=True)


def note_lines(events: Sequence[Event], start_ns: int) -> tuple[NoteLine, ...]:
    """Return the notes among events, and what else is worth a mark."""
    note_texts = {
        EventKind.NOTE: "{text}",
        EventKind.POSITION_LOST: "{joint} position starts anew",
        EventKind.DROPPED: "frames lost",
        EventKind.FAULT: "{text}",
        EventKind.CONTINUED: "recording goes on",
    }
    return tuple(
        NoteLine(
            at_s=(event.time_ns - start_ns) / 1e9,
            text=note_texts[event.kind].format(text=event.text, joint=event.joint),
        )
        for event in events
        if event.kind in note_texts
    )


def _rect_shape(x0: float, x1: float, **how: Any) -> dict[str, Any]:  # noqa: ANN401 - plotly's own keys
    return {"type": "rect", "x0": x0, "x1": x1, "line": {"width": 0}, **how}


def _line_shape(**how: Any) -> dict[str, Any]:  # noqa: ANN401 - plotly's own keys
    return {"type": "line", **how}


def limit_line_extent(line: LimitLine, now_s: float) -> dict[str, Any]:
    """Return where along the time axis a shape of a line stands; named "open" if it goes on."""
    if line.start_s is None and line.end_s is None:
        return {"xref": "x domain", "x0": 0, "x1": 1}
    begun_s = line.start_s or 0.0
    if line.end_s is None:
        return {"xref": "x", "x0": begun_s, "x1": max(begun_s, now_s), "name": "open"}
    return {"xref": "x", "x0": begun_s, "x1": line.end_s}


def _limit_shapes(
    line: LimitLine, axis: str, theme: Theme, *, now_s: float
) -> list[dict[str, Any]]:
    across = {**limit_line_extent(line, now_s), "yref": axis}
    fill = theme.state_colours(line.mark)[0]
    shapes = []
    if line.drop_off is not None:
        shapes.append(
            {
                **_rect_shape(0, 1),
                **across,
                "y0": line.drop_off,
                "y1": line.pick_up,
                "layer": "below",
                "fillcolor": fill,
                "opacity": 0.15 if line.mark == "danger" else 0.26,
            }
        )
        shapes.append(
            _line_shape(
                **across,
                y0=line.drop_off,
                y1=line.drop_off,
                layer="below",
                line={"color": theme.ink, "width": 1, "dash": "1px,3px"},
            )
        )
    shapes.append(
        _line_shape(
            **across,
            y0=line.pick_up,
            y1=line.pick_up,
            layer="below",
            line={"color": theme.ink, "width": 1},
        )
    )
    return shapes


def annotation_shapes(
    annotations: Annotations,
    *,
    now_s: float,
    theme: Theme,
    top_px: tuple[float, float],
    px_per_s: float,
) -> list[dict[str, Any]]:
    """Return the plotly shapes of a window.

    Parameters
    ----------
    now_s
        Where an open end stands at first; its shape is named "open" and may be moved on.
    top_px
        Plot height in pixels, and the height of the alert bar above it.
    px_per_s
        Gaps narrower than three pixels are left to the broken line itself.
    """
    height, bar = top_px
    shapes: list[dict[str, Any]] = []
    for gap in annotations.gaps:
        end = now_s if gap.end_s is None else gap.end_s
        if (end - gap.start_s) * px_per_s < MIN_GAP_PX:
            continue
        name = "open" if gap.end_s is None else "gap"
        tall = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
        # Where only a second recording has a gap the first one has frames: the sides will do.
        if not gap.other:
            shapes.append(
                _rect_shape(gap.start_s, end, **tall, fillcolor=theme.none_tint, name=name)
            )
        edge = {"color": theme.none, "width": 1, "dash": "3px,3px"}
        shapes.append(_line_shape(x0=gap.start_s, x1=gap.start_s, **tall, line=edge))
        if gap.end_s is not None:
            shapes.append(_line_shape(x0=end, x1=end, **tall, line=edge))
    for alert in annotations.alerts:
        fill, edge_colour, tint = theme.state_colours(alert.mark)
        end = now_s if alert.end_s is None else alert.end_s
        name = "open" if alert.end_s is None else "alert"
        if alert.row is not None:
            axis = "y" if alert.row == 0 else f"y{alert.row + 1}"
            shapes.append(
                _rect_shape(
                    alert.start_s,
                    end,
                    xref="x",
                    yref=f"{axis} domain",
                    y0=0,
                    y1=1,
                    layer="below",
                    fillcolor=tint,
                    opacity=0.75,
                    name=name,
                )
            )
        shapes.append(
            {
                **_rect_shape(
                    alert.start_s, end, xref="x", yref="paper", y0=1, y1=1 + bar / height
                ),
                "fillcolor": fill,
                "line": {"width": 0.8 if edge_colour != fill else 0, "color": edge_colour},
                "name": name,
            }
        )
    for line in annotations.limits:
        axis = "y" if line.row == 0 else f"y{line.row + 1}"
        shapes.extend(_limit_shapes(line, axis, theme, now_s=now_s))
    shapes.extend(
        _line_shape(
            xref="x",
            yref="paper",
            x0=note.at_s,
            x1=note.at_s,
            y0=0,
            y1=1,
            line={"color": theme.ink_2, "width": 1, "dash": "1px,2px"},
            name="note",
        )
        for note in annotations.notes
    )
    return shapes


def lane_marks(annotations: Annotations) -> list[dict[str, Any]]:
    """Return what the lane says, in order of time: {"x0", "x1", "text", "mark", "hand"}."""
    marks: list[dict[str, Any]] = [
        {"x0": gap.start_s, "x1": gap.end_s, "text": gap.text, "mark": "", "kind": "gap"}
        for gap in annotations.gaps
    ]
    marks += [
        {"x0": a.start_s, "x1": a.end_s, "text": a.text, "mark": a.mark, "kind": "alert"}
        for a in annotations.alerts
    ]
    marks += [
        {"x0": note.at_s, "x1": note.at_s, "text": note.text, "mark": "", "kind": "note"}
        for note in annotations.notes
    ]
    return sorted(marks, key=lambda mark: float(mark["x0"]))
