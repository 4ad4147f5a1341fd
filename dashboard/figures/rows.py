"""The rows on one time axis, for Live and Replay alike.

Takes rows with their data (`ReadRow`) and their annotations, and returns a plotly figure as a plain
mapping. `layout.meta` has what the browser draws itself: texts of margin and lane, the axes of the
rows, the pens. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final

import numpy as np

from dashboard.figures.annotation_shapes import draw_annotations, lane_marks
from dashboard.figures.annotations import Annotations
from dashboard.figures.axes import Axis, Pen, PlotRow, axis_range, tick_text
from dashboard.figures.grouping import merge_note_lines
from dashboard.figures.lines import (
    FlagBlocks,
    PlotLine,
    finite_extremes,
    flag_heights,
    json_list,
    row_traces,
)
from dashboard.figures.row_choice import USUAL_ROWS, RowChoice
from dashboard.figures.sheet import Sheet
from dashboard.text.format import format_duration
from dashboard.text.theme import Theme, plotly_template

__all__ = [
    "ReadRow",
    "RowsFigure",
    "row_axes",
    "rows_figure",
    "sheet_of_rows",
    "window_marks",
]

RowsFigure = dict[str, Any]
ALERT_BAR_PX = 5.0
NOTE_GAP_PX: Final = 24.0
"""Events that say the same closer together are one mark."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRow:
    """A planned row with its data."""

    plan: PlotRow
    lines: tuple[PlotLine, ...]
    bucket_s: float
    """Length of a bucket where the row is drawn as bands, else NaN."""

    @property
    def measured(self) -> tuple[Pen, ...]:
        """The pens that are named in the margin: the planned ones, then those of an overlay."""
        if self.plan.is_flags:
            return ()
        return self.plan.measured_pens + tuple(line.pen for line in self.lines if line.pen.other)

    @property
    def flag_count(self) -> int:
        """How many flags it has; 0 for a row of traces."""
        return len(self.lines) if self.plan.is_flags else 0


def sheet_of_rows(rows: Sequence[ReadRow], sheet: Sheet) -> Sheet:
    """Return the sheet with room for all rows and their flags."""
    return sheet.with_room_for_rows([row.flag_count for row in rows])


def row_axes(rows: Sequence[ReadRow], annotations: Annotations, sheet: Sheet) -> tuple[Axis, ...]:
    """Return the y axis of each row: its data and its limit lines, rounded outwards.

    Rows of one quantity have one scale, but for their limit lines.
    """
    extremes = [finite_extremes(row.lines) for row in rows]
    axes = []
    for index, (row, (low, high)) in enumerate(zip(rows, _row_domains(rows, sheet), strict=True)):
        if row.plan.is_flags:
            axes.append(Axis(low=0.0, high=float(max(row.flag_count, 1)), ticks=()))
            continue
        # Places that have a row each stand on one scale.
        ends = [
            end
            for other, both in zip(rows, extremes, strict=True)
            if other.plan.quantity == row.plan.quantity
            for end in both
        ]
        axes.append(
            axis_range(
                float(np.fmin.reduce(ends)),
                float(np.fmax.reduce(ends)),
                min_span=row.plan.min_span,
                degrees=row.plan.in_degrees,
                lines=[limit.pick_up for limit in annotations.limits if limit.row == index],
                height_px=(high - low) * sheet.plot_height,
            )
        )
    return tuple(axes)


def _row_domains(rows: Sequence[ReadRow], sheet: Sheet) -> tuple[tuple[float, float], ...]:
    return sheet.row_domains([row.flag_count for row in rows])


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
    for row, (bottom, high) in zip(rows, _row_domains(rows, sheet), strict=True):
        bands = row.bucket_s == row.bucket_s
        has_setpoint = any(line.pen.setpoint for line in row.lines)
        bands_text = f"min, mean, max of {format_duration(row.bucket_s)}" if bands else ""
        unit = ", ".join(text for text in (row.plan.unit, row.plan.place) if text)
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
            key_text = "".join(f", {words}" for words in row.plan.key)
            text = f"<b>{row.plan.title}</b> {small}{unit}{key_text}{bands_text}</span>"
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
        lines_below = [] if low or not unit else [unit]
        lines_below += row.plan.key
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


def _flag_meta(flag: FlagBlocks) -> dict[str, Any]:
    """Return what the browser draws of a flag; None: a share that is not known, no block.

    Its buckets are all of one width.
    """
    share = flag.whole_share
    heights = flag_heights(flag.share, flag.onsets, lasts=flag.lasts).round(3)
    first, last = (flag.edges[[0, -1]]).tolist() if len(flag.edges) else (0.0, 0.0)
    return {
        "joint": flag.pen.joint,
        "label": flag.pen.joint_label,
        "pen": flag.pen.number,
        "channel": flag.pen.channel,
        "name": flag.pen.flag,
        "other": flag.pen.other,
        "count": flag.count,
        "least": flag.is_least,
        "share": share if share == share else None,  # noqa: PLR0124
        "start": first,
        "width": (last - first) / max(len(heights), 1),
        "heights": json_list(heights),
    }


def _plotly_axis(
    row: ReadRow, axis: Axis, domain: tuple[float, float], sheet: Sheet
) -> dict[str, Any]:
    tick_values = axis.ticks
    if sheet.form == "narrow":
        # The title of the row is where a label at the very top would be.
        room = (axis.high - axis.low) * sheet.text / ((domain[1] - domain[0]) * sheet.plot_height)
        tick_values = tuple(t for t in axis.ticks if t <= axis.high - room)
    return {
        "domain": list(domain),
        "range": [axis.low, axis.high],
        "tickvals": list(tick_values),
        "ticktext": tick_text(tick_values),
        "zeroline": row.plan.is_signed,
        "anchor": "x",
    }


def _row_meta(row: ReadRow, axis: Axis, domain: tuple[float, float]) -> dict[str, Any]:
    """Return what the browser draws of a row itself: values, units, flags."""
    return {
        "title": row.plan.title,
        "unit": row.plan.unit,
        "decimals": row.plan.decimals,
        "factor": row.plan.factor,
        "domain": list(domain),
        "range": [axis.low, axis.high],
        "pens": [
            {
                "joint": pen.joint,
                "label": pen.joint_label,
                "pen": pen.number,
                "channel": pen.channel,
                "place": pen.place,
                "dash": pen.dash,
                "other": pen.other,
            }
            for pen in row.measured
        ],
        "flags": [_flag_meta(line) for line in row.lines if isinstance(line, FlagBlocks)],
    }


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
    offers: Sequence[dict[str, Any]] = (),
    choice: RowChoice = USUAL_ROWS,
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
    offers
        What rows there are to choose from (`row_choice.row_offers`).
    choice
        The rows that were chosen, so that who chose others since knows that these are not they.
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
    domains = _row_domains(rows, sheet)
    for index, (row, axis, domain) in enumerate(zip(rows, y_axes, domains, strict=True)):
        key = "" if index == 0 else str(index + 1)
        if not row.plan.is_flags:
            # Flags are drawn by the browser's own code: they come last, and need no axis.
            layout[f"yaxis{key}"] = _plotly_axis(row, axis, domain, sheet)
        data.extend(row_traces(row.lines, axis=f"y{key}", theme=theme, width=sheet.pen))
        meta_rows.append(_row_meta(row, axis, domain))
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
        "offers": list(offers),
        "chosen": ",".join(choice.items),
    }
    return {"data": data, "layout": layout}
