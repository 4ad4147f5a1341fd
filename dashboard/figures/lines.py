"""Polylines and bands as plotly traces.

A line is drawn where single cycles can be told apart; where they cannot (a cycle under about ten
pixels) the span from min to max is filled and the mean drawn in it, so that neither a peak nor the
middle is lost. A gap is one NaN and breaks the line; what is filled is one polygon a stretch, since
a fill up to the trace before it would go on over a gap. Pure.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.axes import Pen
from dashboard.text.theme import Theme

__all__ = ["Band", "Line", "band_outlines", "finite_extremes", "plotly_traces"]

Floats = NDArray[np.float64]
FILL_ALPHA, OTHER_FILL_ALPHA = 0.30, 0.10
"""How much of a pen's colour fills a band; of a second recording's band, which lies over it."""
OTHER_DASH = "5px,3px"
OTHER_WIDTH_FACTOR = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A polyline; x in seconds since the start, y in shown units, NaN where it breaks."""

    pen: Pen
    x: Floats
    y: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Min, mean and max per bucket; all of one length, NaN where nothing is held."""

    pen: Pen
    x: Floats
    minimum: Floats
    maximum: Floats
    mean: Floats


def finite_extremes(lines: tuple[Line | Band, ...]) -> tuple[float, float]:
    """Return the least and the greatest finite value of a row, NaN if there is none."""
    parts = [
        part
        for line in lines
        for part in ((line.y,) if isinstance(line, Line) else (line.minimum, line.maximum))
    ]
    values = np.concatenate(parts) if parts else np.empty(0)
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if len(finite) else (np.nan, np.nan)


def band_outlines(x: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Return the polygons of what lies between `low` and `high`, one for each stretch without NaN.

    All of shape (n,). A stretch is gone along its top and back along its foot; one NaN stands
    between two polygons.
    """
    finite_rows = np.flatnonzero(np.isfinite(low) & np.isfinite(high))
    if not len(finite_rows):
        return np.empty(0), np.empty(0)
    runs = np.split(finite_rows, np.flatnonzero(np.diff(finite_rows) > 1) + 1)
    line_break = np.array([np.nan])
    along = [part for s in runs for part in (x[s], x[s][::-1], line_break)]
    level = [part for s in runs for part in (high[s], low[s][::-1], line_break)]
    return np.concatenate(along[:-1]), np.concatenate(level[:-1])


def _rgba_colour(colour: str, alpha: float) -> str:
    red, green, blue = (int(colour[start : start + 2], 16) for start in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"


def _json_list(values: Floats) -> list[float | None]:
    """Return values as JSON can carry them: None for NaN."""
    return [value if value == value else None for value in values.tolist()]  # noqa: PLR0124


def plotly_traces(
    line: Line | Band, *, axis: str, theme: Theme, width: float
) -> list[dict[str, Any]]:
    """Return the plotly traces of a line (one) or of a band (what it fills, max, min, mean)."""
    colour = theme.pen_colour(line.pen.number)
    common = {
        "type": "scatter",
        "mode": "lines",
        "xaxis": "x",
        "yaxis": axis,
        "connectgaps": False,
        "hoverinfo": "skip",
        "showlegend": False,
    }
    meta: dict[str, Any] = {
        "joint": line.pen.joint,
        "channel": line.pen.channel,
        "pen": line.pen.number,
    }
    dashed: dict[str, Any] = {}
    if line.pen.other:
        meta["other"] = True
        # Full colour, since a paler one falls below 3:1; thinner and dashed says whose it is.
        dashed = {"dash": OTHER_DASH}
        width = max(1.0, width * OTHER_WIDTH_FACTOR)
    if isinstance(line, Line):
        style: dict[str, Any] = {"color": colour, "width": width, "shape": "linear"}
        if line.pen.setpoint:
            style = {"color": colour, "width": width / 2, "shape": "hv"}
        role = "setpoint" if line.pen.setpoint else "line"
        return [
            {
                **common,
                "x": _json_list(line.x),
                "y": _json_list(line.y),
                "line": {**style, **dashed, "simplify": False},
                "meta": {**meta, "role": role},
            }
        ]
    edge = {"width": width * 0.45}
    around = band_outlines(line.x, line.minimum, line.maximum)
    fill = {
        "fill": "toself",
        "fillcolor": _rgba_colour(colour, OTHER_FILL_ALPHA if dashed else FILL_ALPHA),
    }
    curves: list[tuple[str, Floats, Floats, dict[str, Any], dict[str, Any]]] = [
        ("fill", *around, {"width": 0}, fill),
        ("max", line.x, line.maximum, edge, {}),
        ("min", line.x, line.minimum, edge, {}),
        ("mean", line.x, line.mean, {"width": width * 0.95}, {}),
    ]
    return [
        {
            **common,
            "x": _json_list(x),
            "y": _json_list(values),
            "line": {"color": colour, "simplify": False, **style, **dashed},
            "meta": {**meta, "role": role},
            **extra,
        }
        for role, x, values, style, extra in curves
    ]
