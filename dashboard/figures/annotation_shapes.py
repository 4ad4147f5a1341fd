"""How annotations are drawn: as plotly shapes, and as words for the lane above the rows.

The shapes are in data coordinates. The words go into `layout.meta`; the browser places them where
there is room. Pure.
"""

from typing import Any, Final

from dashboard.figures.annotations import Annotations, LimitLine
from dashboard.text.theme import Theme

__all__ = ["draw_annotations", "lane_marks", "limit_line_extent"]

MIN_GAP_PX: Final = 3.0


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


def draw_annotations(
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
        Initial position of an open end; its shape is named "open" and the page moves it.
    top_px
        Plot height in pixels, and the height of the alert bar above it.
    px_per_s
        Gaps narrower than three pixels are not drawn: the broken line shows them.
    """
    height, bar = top_px
    shapes: list[dict[str, Any]] = []
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
    """Return the texts of the lane, in order of time: {"x0", "x1", "text", "mark", "kind"}."""
    words: list[dict[str, Any]] = [
        {"x0": gap.start_s, "x1": gap.end_s, "text": gap.text, "mark": "", "kind": "gap"}
        for gap in annotations.gaps
    ]
    words += [
        {"x0": a.start_s, "x1": a.end_s, "text": a.text, "mark": a.mark, "kind": "alert"}
        for a in annotations.alerts
    ]
    words += [
        {"x0": note.at_s, "x1": note.at_s, "text": note.text, "mark": "", "kind": "note"}
        for note in annotations.notes
    ]
    return sorted(words, key=lambda word: float(word["x0"]))
