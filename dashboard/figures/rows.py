"""The four rows on one time axis, for Live and Replay alike.

Takes rows with their data (`ReadRow`) and their annotations, and returns a plotly figure as a plain
mapping. `layout.meta` has what the browser draws itself: texts of margin and lane, the axes of the
rows, the pens. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final

from dashboard.figures.annotation_shapes import draw_annotations, lane_marks
from dashboard.figures.annotations import Annotations
from dashboard.figures.axes import Axis, Pen, PlotRow, axis_range, tick_text
from dashboard.figures.grouping import merge_note_lines
from dashboard.figures.lines import Band, Line, finite_extremes, row_traces
from dashboard.figures.sheet import Sheet
from dashboard.text.format import format_duration
from dashboard.text.theme import Theme, plotly_template

__all__ = ["ReadRow", "RowsFigure", "row_axes", "rows_figure", "window_marks"]

RowsFigure = dict[str, Any]
ALERT_BAR_PX = 5.0
NOTE_GAP_PX: Final = 24.0
"""Events that say the same closer together are one mark."""
SIGNED_QUANTITIES: Final = {"torque", "current", "speed", "position"}
"""Quantities whose zero is drawn: their sign is a direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRow:
    """A planned row with its data."""

    plan: PlotRow
    lines: tuple[Line | Band, ...]
    bucket_s: float
    """Length of a bucket where the row is drawn as bands, else NaN."""

    @property
    def measured(self) -> tuple[Pen, ...]:
        """The pens that are named in the margin: the planned ones, then those of an overlay."""
        return self.plan.measured_pens + tuple(line.pen for line in self.lines if line.pen.other)


def row_axes(rows: Sequence[ReadRow], annotations: Annotations, sheet: Sheet) -> tuple[Axis, ...]:
    """Return the y axis of each row: its data and its limit lines, rounded outwards."""
    axes = []
    for index, (row, (low, high)) in enumerate(
        zip(rows, sheet.row_domains(len(rows)), strict=True)
    ):
        minimum, maximum = finite_extremes(row.lines)
        lines = [limit.pick_up for limit in annotations.limits if limit.row == index]
        axes.append(
            axis_range(
                minimum,
                maximum,
                min_span=row.plan.min_span,
                degrees=row.plan.in_degrees,
                lines=lines,
                height_px=(high - low) * sheet.plot_height,
            )
        )
    return tuple(axes)


def window_marks(
    annotations: Annotations,
    axes: Sequence[Axis],
    *,
    start_s: float,
    end_s: float,
    sheet: Sheet,
    theme: Theme,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the shapes of a window of [start_s, end_s], and the texts of its lane."""
    px_per_s = sheet.plot_width / max(end_s - start_s, 1e-9)
    notes = merge_note_lines(annotations.notes, min_gap_s=NOTE_GAP_PX / px_per_s)
    annotations = replace(annotations, notes=notes)
    shapes = draw_annotations(
        annotations,
        axes,
        now_s=end_s,
        theme=theme,
        top_px=(float(sheet.plot_height), ALERT_BAR_PX),
        px_per_s=px_per_s,
    )
    return shapes, lane_marks(annotations, px_per_s=px_per_s)


def _row_title_annotations(
    rows: Sequence[ReadRow], sheet: Sheet, theme: Theme, *, reads_means: bool
) -> list[dict[str, Any]]:
    titles: list[dict[str, Any]] = []
    for row, (bottom, high) in zip(rows, sheet.row_domains(len(rows)), strict=True):
        bands = row.bucket_s == row.bucket_s
        has_setpoint = any(line.pen.setpoint for line in row.lines)
        bands_text = f"min, mean, max of {format_duration(row.bucket_s)}" if bands else ""
        unit = row.plan.unit
        common: dict[str, Any] = {
            "xref": "paper",
            "yref": "paper",
            "showarrow": False,
            "borderpad": 0,
            "align": "left",
            "xanchor": "left",
        }
        small = f"<span style='font-size:{sheet.text}px;color:{theme.ink_2}'>"
        if sheet.form == "narrow":
            # The margin has no room for "mean" beside a value.
            values_text = "; values: mean" if reads_means else ""
            bands_text = f", {bands_text}{values_text}" if bands_text else ""
            text = f"<b>{row.plan.title}</b> {small}{unit}{bands_text}</span>"
            titles.append(
                {
                    **common,
                    "x": 0,
                    "y": high,
                    "xshift": -sheet.left,
                    "yanchor": "bottom",
                    # Over the bars of alerts, which lie on the first row.
                    "yshift": 1 if titles else 1 + ALERT_BAR_PX,
                    "text": text,
                    "font": {"size": sheet.title},
                }
            )
            continue
        # A low row has room for two lines of text instead of four.
        low = (high - bottom) * sheet.plot_height < 5.5 * sheet.text
        inline_unit = f" {small}{unit}</span>" if low else ""
        lines_below = [] if low else [unit]
        lines_below += ["thin: set-point"] if has_setpoint else []
        if bands:
            length = format_duration(row.bucket_s)
            lines_below += [f"min to max, {length}"] if low else ["min, mean, max", f"of {length}"]
        lines = "".join(f"<br>{small}{line}</span>" for line in lines_below)
        text = f"<b>{row.plan.title}</b>{inline_unit}{lines}"
        titles.append(
            {
                **common,
                "x": 0,
                "y": high,
                "xshift": -sheet.left,
                "yanchor": "top",
                "yshift": 9,
                "text": text,
                "font": {"size": sheet.title},
            }
        )
    return titles


def rows_figure(
    rows: Sequence[ReadRow],
    annotations: Annotations,
    *,
    start_s: float,
    end_s: float,
    epoch_ms: float,
    zone: tzinfo,
    sheet: Sheet,
    theme: Theme,
    axes: Sequence[Axis] | None = None,
    reads_means: bool = False,
) -> RowsFigure:
    """Return the figure of rows over [start_s, end_s], seconds since the recording's start.

    Parameters
    ----------
    epoch_ms
        Start of the recording in milliseconds since 1970, for times of day.
    zone
        The reader's time zone, for those.
    axes
        The axis of each row; None: computed from the data.
    reads_means
        Whether values in the margin of bands are means of buckets, in place of newest readings.
    """
    y_axes = tuple(axes) if axes is not None else row_axes(rows, annotations, sheet)
    shapes, lane = window_marks(
        annotations, y_axes, start_s=start_s, end_s=end_s, sheet=sheet, theme=theme
    )
    layout: dict[str, Any] = {
        "template": plotly_template(theme, size_px=sheet.text),
        **sheet.plotly_size(),
        "xaxis": {
            "range": [start_s, end_s],
            "anchor": "free",
            "position": 0,
            "showticklabels": False,
            "showgrid": False,
        },
        "annotations": _row_title_annotations(rows, sheet, theme, reads_means=reads_means),
        "shapes": shapes,
    }
    data = []
    meta_rows = []
    domains = sheet.row_domains(len(rows))
    for index, (row, axis, domain) in enumerate(zip(rows, y_axes, domains, strict=True)):
        key = "" if index == 0 else str(index + 1)
        tick_values = axis.ticks
        if sheet.form == "narrow":
            # The title of the row is where a label at the very top would be.
            room = (
                (axis.high - axis.low) * sheet.text / ((domain[1] - domain[0]) * sheet.plot_height)
            )
            tick_values = tuple(t for t in axis.ticks if t <= axis.high - room)
        signed = row.plan.quantity in SIGNED_QUANTITIES
        layout[f"yaxis{key}"] = {
            "domain": list(domain),
            "range": [axis.low, axis.high],
            "tickvals": list(tick_values),
            "ticktext": tick_text(tick_values),
            "zeroline": signed,
            "anchor": "x",
        }
        data.extend(row_traces(row.lines, axis=f"y{key}", theme=theme, width=sheet.pen))
        meta_rows.append(
            {
                "title": row.plan.title,
                "unit": row.plan.unit,
                "decimals": row.plan.decimals,
                "factor": row.plan.factor,
                "domain": list(domain),
                "range": [axis.low, axis.high],
                "pens": [
                    {
                        "joint": p.joint,
                        "label": p.joint_label,
                        "pen": p.number,
                        "channel": p.channel,
                        "other": p.other,
                    }
                    for p in row.measured
                ],
            }
        )
    layout["meta"] = {
        **sheet.page_meta(epoch_ms=epoch_ms, zone=zone),
        "rows": meta_rows,
        "limits": [
            {
                "row": line.row,
                "y": line.pick_up,
                "mark": line.mark,
                "texts": list(line.texts),
                "pen": line.pen,
                "until": line.end_s,
            }
            for line in annotations.limits
        ],
        "lane": lane,
    }
    return {"data": data, "layout": layout}
