"""How annotations are drawn: as plotly shapes, and as words for the lane above the rows.

The shapes are in data coordinates. The words go into `layout.meta`; the browser places them where
there is room. Pure.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

from dashboard.figures.annotations import AlertSpan, Annotations, LimitLine, NoteLine
from dashboard.figures.axes import Axis
from dashboard.figures.grouping import count_text, group_alert_texts
from dashboard.text.theme import Theme

__all__ = ["draw_annotations", "lane_marks", "limit_line_extent", "limit_tints"]

MIN_GAP_PX: Final = 3.0
TICK_PX: Final = 7.0
SAME_WORDS_PX: Final = 240.0
"""Alerts that say the same closer together are said once: so wide are their words."""
TINT_OPACITY: Final = {
    "light": {"danger": 0.15, "abnormal": 0.26, "none": 0.15},
    "dark": {"danger": 0.3, "abnormal": 0.14, "none": 0.15},
}
"""By theme: on slate a yellow as strong as the red would be the brighter of both."""
_RANKS: Final = {"none": 0, "abnormal": 1, "danger": 2}
"""States in the order of how bad they are."""


def _rect_shape(x0: float, x1: float, **how: Any) -> dict[str, Any]:  # noqa: ANN401 - plotly's own keys
    return {"type": "rect", "x0": x0, "x1": x1, "line": {"width": 0}, **how}


def _line_shape(**how: Any) -> dict[str, Any]:  # noqa: ANN401 - plotly's own keys
    return {"type": "line", **how}


def limit_line_extent(line: LimitLine, now_s: float) -> dict[str, Any]:
    """Return the extent of a line along the time axis; named "open" where it has no end yet."""
    if line.start_s is None and line.end_s is None:
        return {"xref": "x domain", "x0": 0, "x1": 1}
    begun_s = line.start_s or 0.0
    if line.end_s is None:
        return {"xref": "x", "x0": begun_s, "x1": max(begun_s, now_s), "name": "open"}
    return {"xref": "x", "x0": begun_s, "x1": line.end_s}


def _tint_end(line: LimitLine, lines: Sequence[LimitLine], axis: Axis) -> float:
    """Return where the tint that begins at a level ends: at the next level, or the plot's edge.

    Levels of less than its severity do not end it. Where a worse one lies on its normal side it
    ends where it begins: what is beyond is tinted by that one. So does one of a single place in a
    row of several: another place may well lie beyond.
    """
    if line.place:
        return line.pick_up
    sign = 1.0 if line.is_rising else -1.0
    others = [
        other
        for other in lines
        if other.row == line.row
        and other.is_rising == line.is_rising
        and _RANKS[other.mark] >= _RANKS[line.mark]
        and _are_in_force_together(line, other)
    ]
    at = sign * line.pick_up
    if any(other.mark != line.mark and sign * other.pick_up <= at for other in others):
        return line.pick_up
    edge = axis.high if line.is_rising else -axis.low
    return sign * max(at, min([sign * o.pick_up for o in others if sign * o.pick_up > at] + [edge]))


def _are_in_force_together(line: LimitLine, other: LimitLine) -> bool:
    begin_s = line.start_s if line.start_s is not None else 0.0
    end_s = line.end_s if line.end_s is not None else float("inf")
    return other.is_in_force_within(begin_s, end_s)


def limit_tints(
    lines: Sequence[LimitLine], axes: Sequence[Axis], *, theme: Theme, now_s: float
) -> list[dict[str, Any]]:
    """Return what is beyond each level as a tint.

    Two limits may share a level: tinted twice it would look like another severity.
    """
    tints: list[dict[str, Any]] = []
    for line in lines:
        end = _tint_end(line, lines, axes[line.row])
        tint = _limit_tint(line, end, theme=theme, now_s=now_s)
        if end != line.pick_up and tint not in tints:
            tints.append(tint)
    return tints


def _limit_tint(line: LimitLine, end: float, *, theme: Theme, now_s: float) -> dict[str, Any]:
    return {
        **_rect_shape(0, 1),
        **limit_line_extent(line, now_s),
        "yref": _axis_key(line.row),
        "y0": line.pick_up,
        "y1": end,
        "layer": "below",
        "fillcolor": theme.state_colours(line.mark)[0],
        "opacity": TINT_OPACITY[theme.name][line.mark],
    }


def _limit_shapes(
    line: LimitLine, axis: str, theme: Theme, *, now_s: float
) -> list[dict[str, Any]]:
    across = {**limit_line_extent(line, now_s), "yref": axis, "layer": "below"}
    dotted = {"color": theme.ink, "width": 1, "dash": "1px,3px"}
    shapes = []
    if line.drop_off is not None:
        shapes.append(_line_shape(**across, y0=line.drop_off, y1=line.drop_off, line=dotted))
    ink = {"color": theme.ink, "width": 1}
    return [*shapes, _line_shape(**across, y0=line.pick_up, y1=line.pick_up, line=ink)]


def _alert_grounds(
    alert: AlertSpan,
    lines: Sequence[LimitLine],
    axes: Sequence[Axis],
    *,
    theme: Theme,
    now_s: float,
) -> list[dict[str, Any]]:
    """Return the ground of an alert: the tint beyond its own level, deeper while it lasts.

    Nothing below the level, where the traces of other joints are, and nothing beyond the next.
    """
    grounds = []
    for line in lines:
        if line.row != alert.row or line.limit != alert.limit or alert.joint not in line.joints:
            continue
        if not line.is_in_force_within(alert.start_s, alert.end_s or now_s):
            continue
        end = _tint_end(line, lines, axes[line.row])
        if end == line.pick_up:
            continue
        while_it_lasts = replace(line, start_s=alert.start_s, end_s=alert.end_s)
        ground = _limit_tint(while_it_lasts, end, theme=theme, now_s=now_s)
        grounds.append({"name": "alert", **ground})
    return grounds


def _axis_key(row: int) -> str:
    return "y" if row == 0 else f"y{row + 1}"


def draw_annotations(
    annotations: Annotations,
    axes: Sequence[Axis],
    *,
    now_s: float,
    theme: Theme,
    top_px: tuple[float, float],
    px_per_s: float,
) -> list[dict[str, Any]]:
    """Return the plotly shapes of a window.

    Parameters
    ----------
    axes
        The y axis of each row.
    now_s
        Initial position of an open end; its shape is named "open" and the page moves it.
    top_px
        Plot height in pixels, and the height of the alert bar above it.
    px_per_s
        Gaps narrower than three pixels are not drawn: the broken line shows them.
    """
    height, bar = top_px
    shapes = limit_tints(annotations.limits, axes, theme=theme, now_s=now_s)
    for gap in annotations.gaps:
        end = now_s if gap.end_s is None else gap.end_s
        if (end - gap.start_s) * px_per_s < MIN_GAP_PX:
            continue
        name = "open" if gap.end_s is None else "gap"
        tall = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
        # A gap of the second recording alone has only its edges: the first one has data there.
        if not gap.other:
            shapes.append(
                _rect_shape(gap.start_s, end, **tall, fillcolor=theme.none_tint, name=name)
            )
        edge = {"color": theme.none, "width": 1, "dash": "3px,3px"}
        shapes.append(_line_shape(x0=gap.start_s, x1=gap.start_s, **tall, line=edge))
        if gap.end_s is not None:
            shapes.append(_line_shape(x0=end, x1=end, **tall, line=edge))
    for alert in annotations.alerts:
        fill, edge_colour, _ = theme.state_colours(alert.mark)
        end = now_s if alert.end_s is None else alert.end_s
        name = "open" if alert.end_s is None else "alert"
        shapes += _alert_grounds(alert, annotations.limits, axes, theme=theme, now_s=now_s)
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
        shapes.extend(_limit_shapes(line, _axis_key(line.row), theme, now_s=now_s))
    shapes.extend(_note_shape(note, height_px=height, theme=theme) for note in annotations.notes)
    return shapes


def _note_shape(note: NoteLine, *, height_px: float, theme: Theme) -> dict[str, Any]:
    """Return what somebody wrote as a line through all rows, an event as a tick at their top.

    Events may be many: lines of them would hide the traces.
    """
    end_s = note.at_s if note.end_s is None else note.end_s
    tall = {"xref": "x", "yref": "paper", "y1": 1, "name": "note"}
    if note.is_written:
        dotted = {"color": theme.ink_2, "width": 1, "dash": "1px,2px"}
        return _line_shape(**tall, x0=note.at_s, x1=note.at_s, y0=0, line=dotted)
    tick = {"y0": 1 - TICK_PX / height_px, "fillcolor": theme.ink_2}
    return {
        **_rect_shape(note.at_s, end_s, **tall, **tick),
        "line": {"color": theme.ink_2, "width": 1.5},
    }


def lane_marks(annotations: Annotations, *, px_per_s: float) -> list[dict[str, Any]]:
    """Return the texts of the lane, in order of time: {"x0", "x1", "text", "mark", "kind"}."""
    alerts = group_alert_texts(annotations.alerts, min_gap_s=SAME_WORDS_PX / px_per_s)
    words: list[dict[str, Any]] = [
        {"x0": gap.start_s, "x1": gap.end_s, "text": gap.text, "mark": "", "kind": "gap"}
        for gap in annotations.gaps
    ]
    words += [
        {"x0": a.start_s, "x1": a.end_s, "text": count_text(a), "mark": a.mark, "kind": "alert"}
        for a in alerts
    ]
    words += [
        {
            "x0": note.at_s,
            "x1": note.at_s if note.end_s is None else note.end_s,
            "text": count_text(note),
            "mark": "",
            "kind": "note" if note.is_written else "event",
        }
        for note in annotations.notes
    ]
    return sorted(words, key=lambda word: float(word["x0"]))
