"""How buses fared, on one time axis: the load of each, and of the chosen one what came or failed.

Drawn in ink: a pen's colour says a joint and nothing else, so a bus is told by the row that it
stands in. Rows of figures are bands from least to most with the mean in them; what is counted
stands as bars. `layout.meta` is what `assets/draw.js` reads of every figure of rows. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.axes import Axis, axis_range
from dashboard.figures.lines import outlines
from dashboard.figures.sheet import Sheet
from dashboard.text.theme import Theme, number, template

__all__ = ["AwaySpan", "BusRow", "Told", "buses_figure", "buses_sheet"]

Floats = NDArray[np.float64]
_LEAST_ROW_PX: Final = 46
_LEAST_AWAY_PX: Final = 2.0
_LANE: Final = "alert"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusRow:
    """One row; x in seconds since the recording's start, all arrays of one length."""

    title: str
    unit: str
    whose: str = ""
    """Of what, where it is not of `bus` alone."""
    small: tuple[str, ...] = ()
    """What stands below the unit."""
    bus: int
    weight: float
    """Its share of the height."""
    decimals: int
    x: Floats
    """Middles of the buckets."""
    width_s: float
    least: Floats
    mean: Floats
    most: Floats
    """NaN where nothing was told. Of what is counted `most` alone is drawn, as bars."""
    counted: bool = False
    high: float
    """The least that its axis reaches, so that rows of one unit share it."""
    level: float | None = None
    """A line that should not be reached."""
    level_text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AwaySpan:
    """A stretch without a bus; `bus` None: without any."""

    bus: int | None
    start_s: float
    end_s: float | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A moment that the lane names."""

    at_s: float
    text: str


def buses_sheet(sheet: Sheet, rows: int) -> Sheet:
    """Return the sheet with room for `rows` rows, however many buses there are."""
    least = sheet.top + sheet.bottom + rows * _LEAST_ROW_PX + (rows - 1) * sheet.gap
    return Sheet(
        form=sheet.form, width=sheet.width, height=max(sheet.height, least), left=sheet.left,
        right=sheet.right, top=sheet.top, bottom=sheet.bottom, gap=sheet.gap, text=sheet.text,
        title=sheet.title, pen=sheet.pen,
    )  # fmt: skip


def _domains(rows: Sequence[BusRow], sheet: Sheet) -> list[tuple[float, float]]:
    """Return for each row, from the top, its (lower, upper) share of the plot height."""
    usable = sheet.plot_height - sheet.gap * (len(rows) - 1)
    whole = sum(row.weight for row in rows)
    domains, upper = [], float(sheet.plot_height)
    for row in rows:
        lower = upper - usable * row.weight / whole
        domains.append((max(0.0, lower / sheet.plot_height), upper / sheet.plot_height))
        upper = lower - sheet.gap
    return domains


def _axis(row: BusRow, height_px: float) -> Axis:
    """Return an axis from nought; a level is seen where the figures come near it."""
    told = row.most[np.isfinite(row.most)]
    high = max(row.high, float(told.max()) if len(told) else 0.0)
    found = axis_range(0.0, high, least=1.0, height_px=height_px)
    top = max(found.high, high)
    if row.counted:
        return Axis(low=0.0, high=high * 1.15, ticks=(0.0, float(np.floor(high))))
    return Axis(low=0.0, high=top, ticks=tuple(t for t in found.ticks if 0 <= t <= top))


def _listed(values: Floats, decimals: int) -> list[float | None]:
    rounded = np.round(values, decimals + 1).tolist()
    return [value if value == value else None for value in rounded]  # noqa: PLR0124


def _faint(colour: str, alpha: float) -> str:
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"


def _traces(row: BusRow, *, axis: str, theme: Theme, sheet: Sheet) -> list[dict[str, Any]]:
    common = {"xaxis": "x", "yaxis": axis, "hoverinfo": "skip", "showlegend": False}
    if row.counted:
        x = np.round(row.x, 3).tolist()
        there = np.flatnonzero(row.most > 0)
        return [
            {
                **common,
                "type": "bar",
                "x": [x[place] for place in there.tolist()],
                "y": row.most[there].tolist(),
                "width": row.width_s,
                "marker": {"color": theme.ink, "line": {"color": theme.ink, "width": 1}},
            }
        ]
    lines = {"type": "scatter", "mode": "lines", "connectgaps": False}
    edge = {"color": theme.ink, "width": sheet.pen * 0.3, "simplify": False}
    fill = {"fill": "toself", "fillcolor": _faint(theme.ink, 0.2)}
    drawn: list[tuple[Floats, Floats, dict[str, Any], dict[str, Any]]] = []
    if np.nanmax(np.append(row.most - row.least, 0.0)) > 0:
        around = outlines(row.x, row.least, row.most)
        drawn = [
            (*around, {**edge, "width": 0}, fill),
            (row.x, row.most, edge, {}),
            (row.x, row.least, edge, {}),
        ]
    drawn.append((row.x, row.mean, {**edge, "width": sheet.pen * 0.85}, {}))
    return [
        {
            **common,
            **lines,
            "x": _listed(x, 2),
            "y": _listed(y, row.decimals),
            "line": line,
            **more,
        }
        for x, y, line, more in drawn
    ]


def _end(row: BusRow) -> list[float] | None:
    """Return where and at which value the row ends, None where nothing was told."""
    told = np.flatnonzero(np.isfinite(row.mean))
    if not len(told):
        return None
    return [float(row.x[told[-1]]), round(float(row.mean[told[-1]]), row.decimals + 1)]


def _title(row: BusRow, domain: tuple[float, float], sheet: Sheet, theme: Theme) -> dict[str, Any]:
    bottom, high = domain
    small = f"<span style='font-size:{sheet.text}px;color:{theme.ink_2}'>"
    narrow = sheet.form == "narrow"
    said = [part for part in (row.unit, row.whose, *row.small) if part]
    # Below the title, as many lines as there is room for.
    room = int(((high - bottom) * sheet.plot_height - sheet.title) / (1.35 * sheet.text))
    lines = [] if narrow else said[: max(1, room)]
    beside = " ".join(said) if narrow else ""
    text = f"<b>{row.title}</b>" + (f" {small}{beside}</span>" if beside else "")
    text += "".join(f"<br>{small}{line}</span>" for line in lines)
    return {
        "xref": "paper", "yref": "paper", "showarrow": False, "borderpad": 0, "align": "left",
        "xanchor": "left", "x": 0, "y": high, "xshift": -sheet.left,
        "yanchor": "bottom" if narrow else "top", "yshift": 1 if narrow else 9, "text": text,
        "font": {"size": sheet.title},
    }  # fmt: skip


def _away_shapes(
    aways: Sequence[AwaySpan],
    rows: Sequence[BusRow],
    domains: Sequence[tuple[float, float]],
    *,
    end_s: float,
    px_per_s: float,
    theme: Theme,
) -> list[dict[str, Any]]:
    shapes = []
    for away in aways:
        until_s = end_s if away.end_s is None else away.end_s
        # However short, it is to be seen.
        until_s = max(until_s, away.start_s + _LEAST_AWAY_PX / px_per_s)
        for row, (low, high) in zip(rows, domains, strict=True):
            if away.bus not in {None, row.bus}:
                continue
            shapes.append(
                {
                    "type": "rect", "xref": "x", "yref": "paper", "x0": away.start_s,
                    "x1": until_s, "y0": low, "y1": high, "layer": "below",
                    "fillcolor": theme.none_tint,
                    "line": {"color": theme.none, "width": 1, "dash": "3px,3px"},
                }
            )  # fmt: skip
    return shapes


def buses_figure(
    rows: Sequence[BusRow],
    *,
    aways: Sequence[AwaySpan],
    told: Sequence[Told],
    start_s: float,
    end_s: float,
    epoch_ms: float,
    sheet: Sheet,
    theme: Theme,
) -> dict[str, Any]:
    """Return the figure of rows over [start_s, end_s], seconds since the recording's start.

    Parameters
    ----------
    told
        Moments that the lane names with the mark of what is out of order.
    epoch_ms
        The recording's start in milliseconds since 1970, for the clock beside the elapsed time.
    """
    domains = _domains(rows, sheet)
    px_per_s = sheet.plot_width / max(end_s - start_s, 1e-9)
    shapes = _away_shapes(aways, rows, domains, end_s=end_s, px_per_s=px_per_s, theme=theme)
    layout: dict[str, Any] = {
        "template": template(theme, size_px=sheet.text),
        **sheet.size(),
        "barmode": "overlay",
        "xaxis": {
            "range": [start_s, end_s], "anchor": "free", "position": 0, "showticklabels": False,
            "showgrid": False,
        },
        "annotations": [
            _title(row, domain, sheet, theme) for row, domain in zip(rows, domains, strict=True)
        ],
    }  # fmt: skip
    data: list[dict[str, Any]] = []
    meta_rows, limits = [], []
    for index, (row, domain) in enumerate(zip(rows, domains, strict=True)):
        key = "" if index == 0 else str(index + 1)
        height_px = (domain[1] - domain[0]) * sheet.plot_height
        axis = _axis(row, height_px)
        # On a phone the row's title stands where a label at the very top would.
        room = axis.high * sheet.text / height_px if sheet.form == "narrow" else 0.0
        shown = [tick for tick in axis.ticks if tick <= axis.high - room or row.counted]
        layout[f"yaxis{key}"] = {
            "domain": list(domain),
            "range": [axis.low, axis.high],
            "tickvals": shown,
            "ticktext": [number(tick, 0 if tick == round(tick) else 1) for tick in shown],
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
        data.extend(_traces(row, axis=f"y{key}", theme=theme, sheet=sheet))
        meta_rows.append(
            {
                "title": row.title, "unit": row.unit, "decimals": row.decimals, "bus": row.bus,
                "domain": list(domain), "range": [axis.low, axis.high], "pens": [],
                "end": None if row.counted else _end(row),
            }
        )  # fmt: skip
    layout["shapes"] = shapes
    layout["meta"] = {
        **sheet.meta(epoch_ms=epoch_ms),
        "rows": meta_rows,
        "limits": limits,
        "lane": [
            *(
                {
                    "x0": one.at_s,
                    "x1": one.at_s,
                    "text": one.text,
                    "mark": "abnormal",
                    "kind": _LANE,
                }
                for one in told
            ),
            *(
                {"x0": one.start_s, "x1": one.end_s, "text": one.text, "mark": "", "kind": "gap"}
                for one in aways
            ),
        ],
    }
    return {"data": data, "layout": layout}
