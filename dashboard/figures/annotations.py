"""What stands in a figure beside the data: limits, alert spans, gaps, notes.

Each thing is given twice: as plotly shapes in data coordinates, and as words for the lane above the
rows and for the right margin, which `assets/draw.js` sets where there is room. An end that is still
open is None and moves with the reader's now. Pure.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from dashboard.figures.axes import Planned
from dashboard.text.theme import MARKS, Theme, number, span_words
from dashboard.text.units import PLAIN, Displays
from logger.joint.bench.joint_settings import Rated
from logger.limits.bus import OfRecorder
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.levels import LevelLine, lines_of
from logger.limits.lifecycle import Alert
from logger.limits.limit import Limit, LimitSet, in_force
from logger.limits.touch import Touch
from logger.limits.words import label
from logger.store.layout.events import Event

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
    "limit_span",
    "merged_spans",
    "note_lines",
    "other_gap",
    "shapes_of",
]

LEAST_GAP_PX = 3.0


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

    def within(self, begin_s: float, end_s: float) -> bool:
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
class Furniture:
    """Everything that stands in a window."""

    limits: tuple[LimitLine, ...] = ()
    alerts: tuple[AlertSpan, ...] = ()
    gaps: tuple[GapSpan, ...] = ()
    notes: tuple[NoteLine, ...] = ()


def limit_lines(
    sets: Sequence[tuple[int, LimitSet]],
    rows: Sequence[Planned],
    rated: Mapping[str, Rated],
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
    since: list[float | None] = [None, *((at - start_ns) / 1e9 for at, _ in sets[1:]), None]
    lines: list[LimitLine] = []
    for (begun_s, ended_s), (_, limits) in zip(pairwise(since), sets, strict=True):
        for line in _lines_of_set(limits, rows, rated):
            held = replace(line, start_s=begun_s, end_s=ended_s)
            # What is the same before and after a taking over is one line.
            before = replace(line, start_s=None, end_s=begun_s)
            place = next(
                (
                    index
                    for index, other in enumerate(lines)
                    if begun_s is not None and replace(other, start_s=None) == before
                ),
                None,
            )
            if place is None:
                lines.append(held)
            else:
                lines[place] = replace(held, start_s=lines[place].start_s)
    return tuple(lines)


def _lines_of_set(
    limits: LimitSet, rows: Sequence[Planned], rated: Mapping[str, Rated]
) -> Iterator[LimitLine]:
    for index, row in enumerate(rows):
        for limit in limits.limits:
            yield from _row_lines(limit, limits, index, row, rated)


def _row_lines(
    limit: Limit, limits: LimitSet, index: int, row: Planned, rated: Mapping[str, Rated]
) -> Iterator[LimitLine]:
    if isinstance(limit, OfRecorder):
        return
    joints: dict[LevelLine, list[str]] = {}
    shown = {pen.joint: pen.channel for pen in row.measured}
    for joint, channel in shown.items():
        if limit.joint not in {None, joint}:
            continue
        for level in lines_of(limit, rated[joint]):
            if level.channel == channel:
                joints.setdefault(level, []).append(joint)
    for level, whose in joints.items():
        # A share of the rated value lies at another height for each joint.
        apart = any(
            other.rising == level.rising and other != level and others != whose
            for other, others in joints.items()
        )
        named = apart or (limit.joint is not None and _rivals(limits, level) > 1)
        pick_up = level.pick_up * row.factor
        drop_off = None if level.drop_off is None else level.drop_off * row.factor
        below = "" if level.rising else "below "
        off = "" if drop_off is None else f", off at {_digits(drop_off, row)}"
        of = f"{', '.join(whose)} " if named else ""
        touch = "touch " if isinstance(limit, Touch) else ""
        yield LimitLine(
            row=index,
            mark=MARKS[level.severity],
            pick_up=pick_up,
            drop_off=drop_off,
            text=f"{of}{touch}{level.severity} {below}{_digits(pick_up, row)}{off}",
            short=_digits(pick_up, row),
        )


def _digits(value: float, row: Planned) -> str:
    return number(value, row.decimals if round(value, 6) % 1 else 0)


def _rivals(limits: LimitSet, level: LevelLine) -> int:
    """Return how many limits of one severity have levels on one channel."""
    return sum(
        other.channel == level.channel and other.severity == level.severity
        for other in limits.limits
        if isinstance(other, Level | RatedLevel | Outside | Touch)
    )


def alert_spans(
    alerts: Sequence[Alert],
    sets: Sequence[tuple[int, LimitSet]],
    rows: Sequence[Planned],
    start_ns: int,
    displays: Displays = PLAIN,
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
    words: dict[int, str] = {}
    for alert in alerts:
        row = row_of.get((alert.joint, alert.channel))
        limit = in_force(sets, alert.raised_ns).named(alert.limit)
        unnamed = row is None or limit is None or limit.kind == "silence"
        whose = f"{alert.joint} " if alert.joint and unnamed else ""
        if limit is not None and id(limit) not in words:
            words[id(limit)] = label(limit, displays)
        named = alert.limit.replace("-", " ") if limit is None else words[id(limit)]
        # A recording that was cut out begins with what stood there already.
        earlier = ", since before" if alert.raised_ns < start_ns else ""
        text = f"{whose}{named}{earlier}"
        spans.append(
            AlertSpan(
                row=row,
                start_s=max(alert.raised_ns - start_ns, 0) / 1e9,
                end_s=None
                if alert.returned_ns is None
                else max(alert.returned_ns - start_ns, 0) / 1e9,
                mark=MARKS.get(alert.severity, "abnormal"),
                text=text,
            )
        )
    return tuple(spans)


def merged_spans(spans: Sequence[AlertSpan], *, least_s: float) -> tuple[AlertSpan, ...]:
    """Return spans of which those of one row and mark that lie closer than `least_s` are one.

    What is nearer than a pixel cannot be told apart; of thousands a browser would draw for seconds.
    """
    merged: list[AlertSpan] = []
    counts: list[int] = []
    newest: dict[tuple[int | None, str], int] = {}
    for span in sorted(spans, key=lambda span: span.start_s):
        key = (span.row, span.mark)
        place = newest.get(key)
        end_s = merged[place].end_s if place is not None else None
        if place is None or end_s is None or span.end_s is None or span.start_s - end_s > least_s:
            newest[key] = len(merged)
            merged.append(span)
            counts.append(1)
            continue
        before, counts[place] = merged[place], counts[place] + 1
        alike = span.text == before.text
        merged[place] = replace(
            before, end_s=max(end_s, span.end_s), text=before.text if alike else ""
        )
    return tuple(
        span if count == 1 else replace(span, text=_many(span.text, count))
        for span, count in zip(merged, counts, strict=True)
    )


def _many(text: str, count: int) -> str:
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


def limit_span(line: LimitLine, now_s: float) -> dict[str, Any]:
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
    across = {**limit_span(line, now_s), "yref": axis}
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
        axis = "y" if line.row == 0 else f"y{line.row + 1}"
        shapes.extend(_limit_shapes(line, axis, theme, now_s=now_s))
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
