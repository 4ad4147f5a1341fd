"""Bus history on one time axis: the load of each bus; frames, errors and losses of the chosen one.

Drawn in the colour of text: a pen's colour means a joint and nothing else, so that a bus is
identified by its row. Rates are bands from minimum to maximum with the mean in them, counts are
bars. `layout.meta` is what `assets/sheet.mjs` reads of every figure of rows. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final

import numpy as np

from dashboard.figures.axes import Axis, axis_range
from dashboard.figures.lines import step_line, step_outlines
from dashboard.figures.sheet import Sheet
from dashboard.figures.style import rgba_colour
from dashboard.text.format import format_number
from dashboard.text.theme import Theme, plotly_template
from logger.arrays import Floats

__all__ = ["BusRow", "LaneMark", "OutageSpan", "buses_figure", "buses_sheet"]

_MIN_ROW_PX: Final = 46
_MIN_OUTAGE_PX: Final = 2.0
_LANE_KIND: Final = "alert"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusRow:
    """One row of m buckets; x in s since the start of the recording, all arrays of shape (m,)."""

    title: str
    unit: str
    scope: str = ""
    """Which buses it covers, where it is not `bus` alone."""
    notes: tuple[str, ...] = ()
    """Lines of small text below the unit."""
    bus: int
    weight: float
    """Its share of the height."""
    decimals: int
    x: Floats
    """Middles of the buckets."""
    width_s: float
    minimum: Floats
    mean: Floats
    maximum: Floats
    """NaN where nothing is known. Of counts only `maximum` is drawn, as bars."""
    is_count: bool = False
    min_axis_top: float
    """Smallest top of its axis; the same for rows that are to be compared."""
    level: float | None = None
    """A line that should not be reached."""
    level_text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutageSpan:
    """A span in which a bus was lost; `bus` None: all of them."""

    bus: int | None
    start_s: float
    end_s: float | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneMark:
    """An instant with a text in the lane."""

    at_s: float
    text: str


def buses_sheet(sheet: Sheet, rows: int) -> Sheet:
    """Return the sheet with room for `rows` rows, however many buses there are."""
    min_height = sheet.top + sheet.bottom + rows * _MIN_ROW_PX + (rows - 1) * sheet.gap
    return Sheet(
        form=sheet.form, width=sheet.width, height=max(sheet.height, min_height), left=sheet.left,
        right=sheet.right, top=sheet.top, bottom=sheet.bottom, gap=sheet.gap, text=sheet.text,
        title=sheet.title, pen=sheet.pen,
    )  # fmt: skip


def _row_domains(rows: Sequence[BusRow], sheet: Sheet) -> list[tuple[float, float]]:
    """Return for each row, from the top, its (lower, upper) share of the plot height."""
    usable = sheet.plot_height - sheet.gap * (len(rows) - 1)
    total_weight = sum(row.weight for row in rows)
    domains, upper = [], float(sheet.plot_height)
    for row in rows:
        lower = upper - usable * row.weight / total_weight
        domains.append((max(0.0, lower / sheet.plot_height), upper / sheet.plot_height))
        upper = lower - sheet.gap
    return domains


def _axis_from_zero(row: BusRow, height_px: float) -> Axis:
    """Return an axis from 0; it includes a level if the data come near it."""
    finite = row.maximum[np.isfinite(row.maximum)]
    high = max(row.min_axis_top, float(finite.max()) if len(finite) else 0.0)
    axis = axis_range(0.0, high, min_span=1.0, height_px=height_px)
    top = max(axis.high, high)
    if row.is_count:
        return Axis(low=0.0, high=high * 1.15, ticks=(0.0, float(np.floor(high))))
    return Axis(low=0.0, high=top, ticks=tuple(t for t in axis.ticks if 0 <= t <= top))


def _rounded_list(values: Floats, decimals: int) -> list[float | None]:
    rounded = np.round(values, decimals + 1).tolist()
    return [value if value == value else None for value in rounded]  # noqa: PLR0124


def _bus_row_traces(row: BusRow, *, axis: str, theme: Theme, sheet: Sheet) -> list[dict[str, Any]]:
    common = {"xaxis": "x", "yaxis": axis, "hoverinfo": "skip", "showlegend": False}
    if row.is_count:
        x = np.round(row.x, 3).tolist()
        bar_rows = np.flatnonzero(row.maximum > 0)
        return [
            {
                **common,
                "type": "bar",
                "x": [x[index] for index in bar_rows.tolist()],
                "y": row.maximum[bar_rows].tolist(),
                "width": row.width_s,
                "marker": {"color": theme.ink, "line": {"color": theme.ink, "width": 1}},
            }
        ]
    lines = {"type": "scatter", "mode": "lines", "connectgaps": False}
    edge = {"color": theme.ink, "width": sheet.pen * 0.3, "simplify": False, "shape": "hv"}
    fill = {"fill": "toself", "fillcolor": rgba_colour(theme.ink, 0.2)}
    edges = np.append(row.x, row.x[-1:] + row.width_s) - row.width_s / 2.0
    curves: list[tuple[Floats, Floats, dict[str, Any], dict[str, Any]]] = []
    if np.nanmax(np.append(row.maximum - row.minimum, 0.0)) > 0:
        curves = [(*step_outlines(edges, row.minimum, row.maximum), edge, fill)]
    curves.append((*step_line(edges, row.mean), {**edge, "width": sheet.pen * 0.85}, {}))
    return [
        {
            **common,
            **lines,
            "x": _rounded_list(x, 2),
            "y": _rounded_list(y, row.decimals),
            "line": line,
            **extra,
        }
        for x, y, line, extra in curves
    ]


def _last_point(row: BusRow) -> list[float] | None:
    """Return time and value of the row's last point, None where it has none."""
    finite_rows = np.flatnonzero(np.isfinite(row.mean))
    if not len(finite_rows):
        return None
    return [
        float(row.x[finite_rows[-1]]),
        round(float(row.mean[finite_rows[-1]]), row.decimals + 1),
    ]


def _bus_row_title(
    row: BusRow, domain: tuple[float, float], sheet: Sheet, theme: Theme
) -> dict[str, Any]:
    bottom, high = domain
    small = f"<span style='font-size:{sheet.text}px;color:{theme.ink_2}'>"
    narrow = sheet.form == "narrow"
    notes = [part for part in (row.unit, row.scope, *row.notes) if part]
    # Below the title, as many lines as there is room for.
    room = int(((high - bottom) * sheet.plot_height - sheet.title) / (1.35 * sheet.text))
    lines = [] if narrow else notes[: max(1, room)]
    inline_notes = " ".join(notes) if narrow else ""
    text = f"<b>{row.title}</b>" + (f" {small}{inline_notes}</span>" if inline_notes else "")
    text += "".join(f"<br>{small}{line}</span>" for line in lines)
    return {
        "xref": "paper", "yref": "paper", "showarrow": False, "borderpad": 0, "align": "left",
        "xanchor": "left", "x": 0, "y": high, "xshift": -sheet.left,
        "yanchor": "bottom" if narrow else "top", "yshift": 1 if narrow else 9, "text": text,
        "font": {"size": sheet.title},
    }  # fmt: skip


def _outage_shapes(
    outages: Sequence[OutageSpan],
    rows: Sequence[BusRow],
    domains: Sequence[tuple[float, float]],
    *,
    end_s: float,
    px_per_s: float,
    theme: Theme,
) -> list[dict[str, Any]]:
    shapes = []
    for outage in outages:
        until_s = end_s if outage.end_s is None else outage.end_s
        # However short, it must be visible.
        until_s = max(until_s, outage.start_s + _MIN_OUTAGE_PX / px_per_s)
        for row, (low, high) in zip(rows, domains, strict=True):
            if outage.bus not in {None, row.bus}:
                continue
            shapes.append(
                {
                    "type": "rect", "xref": "x", "yref": "paper", "x0": outage.start_s,
                    "x1": until_s, "y0": low, "y1": high, "layer": "below",
                    "fillcolor": theme.none_tint,
                    "line": {"color": theme.none, "width": 1, "dash": "3px,3px"},
                }
            )  # fmt: skip
    return shapes


def buses_figure(
    rows: Sequence[BusRow],
    *,
    outages: Sequence[OutageSpan],
    marks: Sequence[LaneMark],
    start_s: float,
    end_s: float,
    epoch_ms: float,
    zone: tzinfo,
    sheet: Sheet,
    theme: Theme,
) -> dict[str, Any]:
    """Return the figure of rows over [start_s, end_s], seconds since the recording's start.

    Parameters
    ----------
    marks
        Instants with a text in the lane, marked as abnormal.
    epoch_ms
        Start of the recording in milliseconds since 1970, for times of day.
    zone
        The reader's time zone, for those.
    """
    domains = _row_domains(rows, sheet)
    px_per_s = sheet.plot_width / max(end_s - start_s, 1e-9)
    shapes = _outage_shapes(outages, rows, domains, end_s=end_s, px_per_s=px_per_s, theme=theme)
    layout: dict[str, Any] = {
        "template": plotly_template(theme, size_px=sheet.text),
        **sheet.plotly_size(),
        "barmode": "overlay",
        "xaxis": {
            "range": [start_s, end_s], "anchor": "free", "position": 0, "showticklabels": False,
            "showgrid": False,
        },
        "annotations": [
            _bus_row_title(row, domain, sheet, theme)
            for row, domain in zip(rows, domains, strict=True)
        ],
    }  # fmt: skip
    data: list[dict[str, Any]] = []
    meta_rows, limits = [], []
    for index, (row, domain) in enumerate(zip(rows, domains, strict=True)):
        key = "" if index == 0 else str(index + 1)
        height_px = (domain[1] - domain[0]) * sheet.plot_height
        axis = _axis_from_zero(row, height_px)
        # In the narrow form the title of the row is where a label at the very top would be.
        room = axis.high * sheet.text / height_px if sheet.form == "narrow" else 0.0
        tick_values = [tick for tick in axis.ticks if tick <= axis.high - room or row.is_count]
        layout[f"yaxis{key}"] = {
            "domain": list(domain),
            "range": [axis.low, axis.high],
            "tickvals": tick_values,
            "ticktext": [
                format_number(tick, 0 if tick == round(tick) else 1) for tick in tick_values
            ],
            "zeroline": True,
            "anchor": "x",
        }
        if row.level is not None and row.level <= axis.high:
            limits.append(
                {"row": index, "y": row.level, "mark": "abnormal", "text": row.level_text}
            )
            shapes.append(
                {
                    "type": "line", "xref": "x domain", "yref": f"y{key}", "x0": 0, "x1": 1,
                    "y0": row.level, "y1": row.level, "layer": "below",
                    "line": {"color": theme.ink, "width": 1},
                }
            )  # fmt: skip
        data.extend(_bus_row_traces(row, axis=f"y{key}", theme=theme, sheet=sheet))
        meta_rows.append(
            {
                "title": row.title, "unit": row.unit, "decimals": row.decimals, "bus": row.bus,
                "domain": list(domain), "range": [axis.low, axis.high], "pens": [],
                "end": None if row.is_count else _last_point(row),
            }
        )  # fmt: skip
    layout["shapes"] = shapes
    layout["meta"] = {
        **sheet.page_meta(epoch_ms=epoch_ms, zone=zone),
        "rows": meta_rows,
        "limits": limits,
        "lane": [
            *(
                {
                    "x0": mark.at_s,
                    "x1": mark.at_s,
                    "text": mark.text,
                    "mark": "abnormal",
                    "kind": _LANE_KIND,
                }
                for mark in marks
            ),
            *(
                {"x0": mark.start_s, "x1": mark.end_s, "text": mark.text, "mark": "", "kind": "gap"}
                for mark in outages
            ),
        ],
    }
    return {"data": data, "layout": layout}
