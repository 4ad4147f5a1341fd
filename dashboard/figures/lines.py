"""Polylines and bands as plotly traces.

A line is drawn where single cycles can be distinguished. Where they cannot (a cycle under about ten
pixels) it is a band: the range from minimum to maximum is filled and the mean drawn in it, so that
neither peaks nor the mean are lost. A gap is one NaN and breaks the line; a band is one polygon for
each run without a gap, since plotly's fill between two traces would cross gaps. Pure.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from dashboard.figures.axes import Pen
from dashboard.text.theme import Theme
from logger.arrays import Floats

__all__ = ["Band", "Line", "band_outlines", "finite_extremes", "plotly_traces"]

FILL_ALPHA, OTHER_FILL_ALPHA = 0.30, 0.10
"""Opacity of a band's fill: of the first recording, and of a second one laid over it."""
OTHER_DASH = "5px,3px"
OTHER_WIDTH_FACTOR = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A polyline; x in s since the start, y in displayed units, NaN where it breaks."""

    pen: Pen
    x: Floats
    y: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Minimum, mean and maximum of m buckets, shape (m,); NaN where no value is held."""

    pen: Pen
    x: Floats
    minimum: Floats
    maximum: Floats
    mean: Floats


def finite_extremes(lines: tuple[Line | Band, ...]) -> tuple[float, float]:
    """Return the smallest and the largest finite value of a row, NaN if there is none."""
    parts = [
        part
        for line in lines
        for part in ((line.y,) if isinstance(line, Line) else (line.minimum, line.maximum))
    ]
    values = np.concatenate(parts) if parts else np.empty(0)
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if len(finite) else (np.nan, np.nan)


def band_outlines(x: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Return the polygons of the area between `low` and `high`, one for each run without NaN.

    All arguments of shape (n,). A polygon runs along `high` and back along `low`; a NaN separates
    two polygons.
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
    """Return the plotly traces of a line (one) or of a band (fill, maximum, minimum, mean)."""
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
        # In full colour, since a paler one has a contrast below 3:1; a second recording is thinner
        # and dashed instead.
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
