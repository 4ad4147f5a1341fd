"""The whole test in one strip: temperatures above, the span of the torque below, excursions marked.

`assets/replay/` draws the present window over it. Pure.
"""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from dashboard.figures.annotation_shapes import limit_line_extent, limit_tints
from dashboard.figures.annotations import AlertSpan, GapSpan, LimitLine
from dashboard.figures.axes import MIN_AXIS_SPAN, axis_range
from dashboard.figures.grouping import count_text
from dashboard.figures.lines import Band, Line, finite_extremes, row_traces
from dashboard.figures.rows import RowsFigure
from dashboard.figures.sheet import Sheet
from dashboard.text.format import format_number
from dashboard.text.theme import Theme, plotly_template

__all__ = ["strip_figure", "strip_sheet"]


def strip_sheet(sheet: Sheet) -> Sheet:
    """Return the sheet of the strip above a sheet of rows: with its left and right margins."""
    height = {"narrow": 112, "normal": 124, "wide": 176}[sheet.form]
    return Sheet(
        form=sheet.form,
        width=sheet.width,
        height=height,
        left=sheet.left,
        right=sheet.right,
        top=22 if sheet.form != "wide" else 30,
        bottom=22 if sheet.form != "wide" else 28,
        gap=6,
        text=sheet.text,
        title=sheet.title,
        pen=max(1.2, sheet.pen * 0.75),
    )


def strip_figure(
    temperatures: Sequence[Line | Band],
    torques: Sequence[Line | Band],
    *,
    limits: Sequence[LimitLine],
    alerts: Sequence[AlertSpan],
    gaps: Sequence[GapSpan],
    length_s: float,
    epoch_ms: float,
    zone: tzinfo,
    torque_unit: str,
    sheet: Sheet,
    theme: Theme,
) -> RowsFigure:
    """Return the strip of a recording of `length_s` seconds."""
    has_both = bool(torques) and bool(temperatures)
    shares = ((0.42, 1.0), (0.0, 0.36)) if has_both else ((0.0, 1.0), (0.0, 1.0))
    levels = [line for line in limits if line.row == 0] if temperatures else []
    pick_ups = [line.pick_up for line in levels]
    low, high = finite_extremes(tuple(temperatures))
    axis = axis_range(
        low,
        high,
        min_span=MIN_AXIS_SPAN["temperature"],
        lines=pick_ups,
        height_px=sheet.plot_height * 0.6,
    )
    minimum, maximum = finite_extremes(tuple(torques))
    power = axis_range(
        minimum, maximum, min_span=MIN_AXIS_SPAN["torque"], height_px=sheet.plot_height * 0.36
    )
    shapes: list[dict[str, Any]] = [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": gap.start_s,
            "x1": length_s if gap.end_s is None else gap.end_s,
            "y0": 0,
            "y1": 1,
            "layer": "below",
            "line": {"width": 0},
            "fillcolor": theme.none_tint,
        }
        for gap in gaps
        if ((length_s if gap.end_s is None else gap.end_s) - gap.start_s) * sheet.plot_width
        > length_s
    ]
    shapes += limit_tints(levels, [axis], theme=theme, now_s=length_s)
    shapes += [
        {
            "type": "line",
            **limit_line_extent(line, length_s),
            "yref": "y",
            "y0": line.pick_up,
            "y1": line.pick_up,
            "layer": "below",
            "line": {"color": theme.ink, "width": 1},
        }
        for line in levels
    ]
    layout: dict[str, Any] = {
        "template": plotly_template(theme, size_px=sheet.text),
        **sheet.plotly_size(),
        "xaxis": {"range": [0, max(length_s, 1e-3)], "showticklabels": False, "showgrid": False},
        "yaxis": {
            "domain": list(shares[0]),
            "range": [axis.low, axis.high],
            "tickvals": list(axis.ticks),
            "ticktext": [format_number(t, 0) for t in axis.ticks],
        },
        "yaxis2": {
            "domain": list(shares[1]),
            "range": [power.low, power.high],
            "tickvals": [0.0],
            "ticktext": [torque_unit],
            "anchor": "x",
        },
        "shapes": shapes,
    }  # fmt: skip
    data = [
        trace
        for lines, key in ((temperatures, "y"), (torques, "y2"))
        for trace in row_traces(lines, axis=key, theme=theme, width=sheet.pen)
    ]
    ends = [
        {"joint": line.pen.joint_label, "pen": line.pen.number, "y": _last_value(line)}
        for line in temperatures
    ]
    layout["meta"] = {
        **sheet.page_meta(epoch_ms=epoch_ms, zone=zone),
        "length_s": length_s,
        "domains": [list(share) for share in shares],
        "range": [axis.low, axis.high],
        "ends": ends,
        "torque": has_both,
        "marks": [
            {"x0": alert.start_s, "x1": alert.end_s, "mark": alert.mark, "text": count_text(alert)}
            for alert in alerts
        ],
    }
    return {"data": data, "layout": layout}


def _last_value(line: Line | Band) -> float | None:
    values = (line.y if isinstance(line, Line) else line.mean).tolist()
    return next((value for value in reversed(values) if value == value), None)  # noqa: PLR0124
