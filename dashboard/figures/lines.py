"""Polylines and bands as plotly traces.

A line is drawn where single cycles can be distinguished. Where they cannot it is a band of steps:
the range from minimum to maximum of each bucket is filled and its mean drawn in it, so that neither
peaks nor the mean are lost and nothing is drawn between buckets that was not measured. A gap is one
NaN and breaks the line; a band is one polygon for each run without a gap, since plotly's fill
between two traces would cross gaps. A flag is blocks as tall as the share of each bucket in which
it was on, drawn by the browser as one path, however often it chatters. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dashboard.figures.axes import Pen
from dashboard.figures.style import rgba_colour
from dashboard.text.theme import Theme
from logger.arrays import Floats

__all__ = [
    "Band",
    "FlagBlocks",
    "Line",
    "PlotLine",
    "finite_extremes",
    "flag_heights",
    "json_list",
    "plotly_traces",
    "row_traces",
    "spread_band",
    "step_line",
    "step_outlines",
]

FILL_ALPHA, OTHER_FILL_ALPHA = 0.30, 0.10
"""Opacity of a band's fill: of the first recording, and of a second one laid over it."""
OTHER_DASH = "5px,3px"
OTHER_WIDTH_FACTOR = 0.7
DASHES: Final = ("", "8px,3px", "2px,3px")
"""Of a pen's line, by its `dash`."""
FLAG_LEAST: Final = 0.12
"""How tall a block is at least; `live/store.mjs` too."""


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
    edges: Floats
    """Begin of each bucket and end of the last, in s since the start, shape (m + 1,)."""
    minimum: Floats
    maximum: Floats
    mean: Floats
    reach: int = 0
    """How many buckets on either side each of these is of as well: as many as hold whole cycles."""


def spread_band(band: Band, reach: int) -> Band:
    """Return a band whose buckets tell of `reach` more on either side: an envelope of cycles.

    None of it goes over a gap. The mean is that of the buckets' means.
    """
    if reach == 0 or not len(band.mean):
        return replace(band, reach=reach)
    is_gap = np.isnan(band.mean)
    run = np.where(is_gap, np.nan, np.cumsum(is_gap))
    around_run, *around = [
        sliding_window_view(np.pad(values, reach, constant_values=np.nan), 2 * reach + 1)
        for values in (run, band.minimum, band.maximum, band.mean)
    ]
    held = around_run == run[:, None]
    around = [np.where(held, values, np.nan) for values in around]
    total = np.where(held, around[2], 0.0).sum(axis=1)
    return replace(
        band,
        minimum=np.where(is_gap, np.nan, np.fmin.reduce(around[0], axis=1)),
        maximum=np.where(is_gap, np.nan, np.fmax.reduce(around[1], axis=1)),
        mean=np.where(is_gap, np.nan, total / np.maximum(held.sum(axis=1), 1)),
        reach=reach,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagBlocks:
    """One flag in m buckets, and its figures over all of them."""

    pen: Pen
    edges: Floats
    """As of a band, shape (m + 1,)."""
    share: Floats
    """Of each bucket's reported time in which it was on, 0 to 1, shape (m,); NaN in a gap."""
    onsets: Floats
    """How often it came on in each bucket, shape (m,)."""
    count: int
    whole_share: float
    """NaN where nothing was reported."""
    lasts: bool = True
    """False of messages, which have no length: a bucket with any is a whole block."""
    is_least: bool = False
    """Whether it came on more often than is known."""


PlotLine = Line | Band | FlagBlocks


def flag_heights(share: Floats, onsets: Floats, *, lasts: bool = True) -> Floats:
    """Return how tall the blocks of a flag are, 0 to 1; NaN where it was not on at all."""
    heights = share if lasts else np.where(onsets > 0, 1.0, 0.0)
    is_on = (share > 0) | (onsets > 0)
    return np.where(is_on, np.fmax(heights, FLAG_LEAST), np.nan)


def finite_extremes(lines: tuple[PlotLine, ...]) -> tuple[float, float]:
    """Return the smallest and the largest finite value of a row, NaN if there is none."""
    parts = [
        part
        for line in lines
        if not isinstance(line, FlagBlocks)
        for part in ((line.y,) if isinstance(line, Line) else (line.minimum, line.maximum))
    ]
    values = np.concatenate(parts) if parts else np.empty(0)
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if len(finite) else (np.nan, np.nan)


def step_outlines(edges: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Return the polygons of the buckets between `low` and `high`, one for each run without NaN.

    To be drawn in steps, horizontal first. A polygon runs along `high` and back along `low`; a NaN
    separates two polygons. `edges` has the shape (n + 1,), the others (n,).
    """
    along, level = [], []
    for first, end in _held_runs(low):
        run = edges[first : end + 1]
        backward = np.append(low[first:end][::-1], low[first])
        along += [run, run[::-1], _BREAK]
        level += [np.append(high[first:end], high[end - 1]), backward, _BREAK]
    return _joined(along), _joined(level)


def step_line(edges: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return the points of a line of steps, horizontal first, NaN between two runs."""
    along, level = [], []
    for first, end in _held_runs(values):
        along += [edges[first : end + 1], _BREAK]
        level += [np.append(values[first:end], values[end - 1]), _BREAK]
    return _joined(along), _joined(level)


def _held_runs(values: Floats) -> list[tuple[int, int]]:
    """Return first and end of each run without NaN."""
    held = np.concatenate(([False], np.isfinite(values), [False]))
    ends = np.flatnonzero(held[1:] != held[:-1]).tolist()
    return list(zip(ends[::2], ends[1::2], strict=True))


def _joined(parts: list[Floats]) -> Floats:
    return np.concatenate(parts[:-1]) if parts else np.empty(0)


_BREAK: Final = np.array([np.nan])


def json_list(values: Floats) -> list[float | None]:
    """Return values as JSON can carry them: None for NaN."""
    return [value if value == value else None for value in values.tolist()]  # noqa: PLR0124


def plotly_traces(
    line: Line | Band, *, axis: str, theme: Theme, width: float
) -> list[dict[str, Any]]:
    """Return the plotly traces of a line (one) or of a band (its fill with an edge, its mean)."""
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
    dashed: dict[str, Any] = {"dash": DASHES[line.pen.dash]} if line.pen.dash else {}
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
                "x": json_list(line.x),
                "y": json_list(line.y),
                "line": {**style, **dashed, "simplify": False},
                "meta": {**meta, "role": role},
            }
        ]
    fill = {
        "fill": "toself",
        "fillcolor": rgba_colour(colour, OTHER_FILL_ALPHA if line.pen.other else FILL_ALPHA),
    }
    curves: list[tuple[str, tuple[Floats, Floats], float, dict[str, Any]]] = [
        ("fill", step_outlines(line.edges, line.minimum, line.maximum), 0.45, fill),
        ("mean", step_line(line.edges, line.mean), 0.95, {}),
    ]
    return [
        {
            **common,
            "x": json_list(x),
            "y": json_list(values),
            "line": {
                "color": colour,
                "simplify": False,
                "shape": "hv",
                "width": width * share,
                **dashed,
            },
            "meta": {**meta, "role": role, "reach": line.reach},
            **extra,
        }
        for role, (x, values), share, extra in curves
    ]


def row_traces(
    lines: Sequence[PlotLine], *, axis: str, theme: Theme, width: float
) -> list[dict[str, Any]]:
    """Return the traces of all lines and bands of a row: every fill below every mean."""
    traces = [
        trace
        for line in lines
        if not isinstance(line, FlagBlocks)
        for trace in plotly_traces(line, axis=axis, theme=theme, width=width)
    ]
    return sorted(traces, key=lambda trace: trace["meta"]["role"] != "fill")
