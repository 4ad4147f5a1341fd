"""What stands in a figure beside the data: limits, alert spans, gaps, notes.

Each thing is given twice: as plotly shapes in data coordinates, and as words for the lane above the
rows and for the right margin, which `assets/draw.js` sets where there is room. An end that is still
open is None and moves with the reader's now. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from dashboard.figures.axes import Planned
from dashboard.theme import MARKS, Theme, number, span_words
from dashboard.units import PLAIN, Displays
from logger.limits.lifecycle import Alert
from logger.limits.limit import Level, LimitSet
from logger.limits.words import label
from logger.store.events import Event

__all__ = [
    "AlertSpan",
    "Furniture",
    "GapSpan",
    "LimitLine",
    "NoteLine",
    "alert_spans",
    "gap_spans",
    "lane_words",
    "limit_lines",
    "note_lines",
    "other_gap",
    "shapes_of",
]

LEAST_GAP_PX = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """One level limit in one row, in shown units."""

    row: int
    mark: str
    pick_up: float
    drop_off: float | None
    text: str
    short: str


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
class Furniture:
    """Everything that stands in a window."""

    limits: tuple[LimitLine, ...] = ()
    alerts: tuple[AlertSpan, ...] = ()
    gaps: tuple[GapSpan, ...] = ()
    notes: tuple[NoteLine, ...] = ()


def limit_lines(limits: LimitSet, rows: Sequence[Planned]) -> tuple[LimitLine, ...]:
    """Return the level limits of the channels that the rows show, each line once.

    A limit that holds for some joints of its row only names them.
    """
    lines: list[LimitLine] = []
    for index, row in enumerate(rows):
        measured = [pen for pen in row.pens if not pen.setpoint]
        for limit in limits.limits:
            if not isinstance(limit, Level):
                continue
            pens = [
                pen
                for pen in measured
                if pen.channel == limit.channel and limit.joint in {None, pen.joint}
            ]
            if not pens:
                continue
            digits = row.decimals if limit.pick_up * row.factor % 1 else 0
            pick_up = limit.pick_up * row.factor
            drop_off = None if limit.drop_off is None else limit.drop_off * row.factor
            rivals = [
                other
                for other in limits.limits
                if isinstance(other, Level)
                and other.channel == limit.channel
                and other.severity == limit.severity
            ]
            of = f"{limit.joint} " if limit.joint and len(rivals) > 1 else ""
            below = "" if limit.above is not None else "below "
            off = (
                ""
                if drop_off is None or drop_off == pick_up
                else f", off at {number(drop_off, digits)}"
            )
            lines.append(
                LimitLine(
                    row=index,
                    mark=MARKS[limit.severity],
                    pick_up=pick_up,
                    drop_off=None if drop_off == pick_up else drop_off,
                    text=f"{of}{limit.severity} {below}{number(pick_up, digits)}{off}",
                    short=number(pick_up, digits),
                )
            )
    return tuple(lines)


def alert_spans(
    alerts: Sequence[Alert],
    limits: LimitSet,
    rows: Sequence[Planned],
    start_ns: int,
    displays: Displays = PLAIN,
) -> tuple[AlertSpan, ...]:
    """Return every alert as a span; `row` is None when no row shows its channel."""
    spans = []
    for alert in alerts:
        row = next(
            (
                index
                for index, plan in enumerate(rows)
                if any((p.joint, p.channel) == (alert.joint, alert.channel) for p in plan.pens)
            ),
            None,
        )
        limit = limits.named(alert.limit)
        unnamed = row is None or limit is None or limit.kind == "silence"
        whose = f"{alert.joint} " if alert.joint and unnamed else ""
        named = alert.limit.replace("-", " ") if limit is None else label(limit, displays)
        text = f"{whose}{named}"
        spans.append(
            AlertSpan(
                row=row,
                start_s=(alert.raised_ns - start_ns) / 1e9,
                end_s=None if alert.returned_ns is None else (alert.returned_ns - start_ns) / 1e9,
                mark=MARKS.get(alert.severity, "abnormal"),
                text=text,
            )
        )
    return tuple(spans)


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
            first, last, who = merged[-1]
            merged[-1] = (first, max(last, end), who | {joint})
        else:
            merged.append((begin, end, {joint}))
    spans = []
    for begin, end, who in merged:
        if open_from_ns is not None and end > open_from_ns:
            continue
        whose = "" if who == set(gaps) else f" from {', '.join(sorted(who))}"
        if open_at_ns is not None and end >= open_at_ns:
            began_s = (begin - start_ns) / 1e9
            spans.append(GapSpan(start_s=began_s, end_s=None, text=f"no frames{whose} for "))
            continue
        spans.append(
            GapSpan(
                start_s=(begin - start_ns) / 1e9,
                end_s=(end - start_ns) / 1e9,
                text=f"no frames{whose}, {span_words((end - begin) / 1e9)}",
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
    said = {
        "note": "{text}",
        "position lost": "{joint} position starts anew",
        "dropped": "frames lost",
        "fault": "{text}",
        "continued": "recording goes on",
    }
    return tuple(
        NoteLine(
            at_s=(event.time_ns - start_ns) / 1e9,
            text=said[event.kind].format(text=event.text, joint=event.joint),
        )
        for event in events
        if event.kind in said
    )


def _rect(x0: float, x1: float, **how: Any) -> dict[str, Any]:  # noqa: ANN401 - plotly's own keys
    return {"type": "rect", "x0": x0, "x1": x1, "line": {"width": 0}, **how}


def _line(**how: Any) -> dict[str, Any]:  # noqa: ANN401 - plotly's own keys
    return {"type": "line", **how}


def _limit_shapes(line: LimitLine, axis: str, theme: Theme) -> list[dict[str, Any]]:
    across = {"xref": "x domain", "yref": axis, "x0": 0, "x1": 1}
    fill = theme.state(line.mark)[0]
    shapes = []
    if line.drop_off is not None:
        shapes.append(
            {
                **_rect(0, 1),
                **across,
                "y0": line.drop_off,
                "y1": line.pick_up,
                "layer": "below",
                "fillcolor": fill,
                "opacity": 0.15 if line.mark == "danger" else 0.26,
            }
        )
        shapes.append(
            _line(
                **across,
                y0=line.drop_off,
                y1=line.drop_off,
                layer="below",
                line={"color": theme.ink, "width": 1, "dash": "1px,3px"},
            )
        )
    shapes.append(
        _line(
            **across,
            y0=line.pick_up,
            y1=line.pick_up,
            layer="below",
            line={"color": theme.ink, "width": 1},
        )
    )
    return shapes


def shapes_of(
    furniture: Furniture,
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
    for gap in furniture.gaps:
        end = now_s if gap.end_s is None else gap.end_s
        if (end - gap.start_s) * px_per_s < LEAST_GAP_PX:
            continue
        name = "open" if gap.end_s is None else "gap"
        tall = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
        # Where only a second recording has a gap the first one has frames: the sides will do.
        if not gap.other:
            shapes.append(_rect(gap.start_s, end, **tall, fillcolor=theme.none_tint, name=name))
        edge = {"color": theme.none, "width": 1, "dash": "3px,3px"}
        shapes.append(_line(x0=gap.start_s, x1=gap.start_s, **tall, line=edge))
        if gap.end_s is not None:
            shapes.append(_line(x0=end, x1=end, **tall, line=edge))
    for alert in furniture.alerts:
        fill, edge_colour, tint = theme.state(alert.mark)
        end = now_s if alert.end_s is None else alert.end_s
        name = "open" if alert.end_s is None else "alert"
        if alert.row is not None:
            axis = "y" if alert.row == 0 else f"y{alert.row + 1}"
            shapes.append(
                _rect(
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
                **_rect(alert.start_s, end, xref="x", yref="paper", y0=1, y1=1 + bar / height),
                "fillcolor": fill,
                "line": {"width": 0.8 if edge_colour != fill else 0, "color": edge_colour},
                "name": name,
            }
        )
    for line in furniture.limits:
        shapes.extend(_limit_shapes(line, "y" if line.row == 0 else f"y{line.row + 1}", theme))
    shapes.extend(
        _line(
            xref="x",
            yref="paper",
            x0=note.at_s,
            x1=note.at_s,
            y0=0,
            y1=1,
            line={"color": theme.ink_2, "width": 1, "dash": "1px,2px"},
            name="note",
        )
        for note in furniture.notes
    )
    return shapes


def lane_words(furniture: Furniture) -> list[dict[str, Any]]:
    """Return what the lane says, in order of time: {"x0", "x1", "text", "mark", "hand"}."""
    words: list[dict[str, Any]] = [
        {"x0": gap.start_s, "x1": gap.end_s, "text": gap.text, "mark": "", "kind": "gap"}
        for gap in furniture.gaps
    ]
    words += [
        {"x0": a.start_s, "x1": a.end_s, "text": a.text, "mark": a.mark, "kind": "alert"}
        for a in furniture.alerts
    ]
    words += [
        {"x0": note.at_s, "x1": note.at_s, "text": note.text, "mark": "", "kind": "note"}
        for note in furniture.notes
    ]
    return sorted(words, key=lambda word: float(word["x0"]))
