"""Measured temperatures, what the model says of them, and the difference below. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.style import axis_title
from dashboard.text.format import format_elapsed
from dashboard.text.theme import Theme, plotly_template
from logger.arrays import Floats

__all__ = ["ModelledSensor", "heat_trace_figure"]

TRACE_HEIGHT_PX: Final = 360
MOST_POINTS: Final = 1500
TICKS: Final = 7
_NICE_S: Final = (60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 21600, 43200, 86400)
DARK_MEASURED_OPACITY: Final = 0.62
"""The thin line of the model has to stand out on the wide one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelledSensor:
    """n readings of one sensor in order of time, with the model at the same instants."""

    name: str
    at_s: Floats
    """Since the start of the recording."""
    measured_degC: Floats  # noqa: N815 - the unit's own spelling
    modelled_degC: Floats  # noqa: N815
    break_before: Floats
    """1 where a gap lies before a reading."""


def heat_trace_figure(
    sensors: Sequence[ModelledSensor], *, pen: int, theme: Theme, is_narrow: bool = False
) -> dict[str, Any]:
    """Return the figure: wide what was measured, thin what the model says.

    The difference below is of the first sensor.
    """
    colour = theme.pen_colour(pen)
    opacity = DARK_MEASURED_OPACITY if theme.name == "dark" else 1.0
    data: list[dict[str, Any]] = []
    largest = 0.0
    for sensor in sensors:
        rows = np.arange(0, len(sensor.at_s), max(len(sensor.at_s) // MOST_POINTS, 1))
        breaks = np.add.reduceat(sensor.break_before, rows) > 0
        at = sensor.at_s[rows]
        off = sensor.measured_degC[rows] - sensor.modelled_degC[rows]
        name, first = escape(sensor.name), len(data)
        data += [
            _line(at, sensor.measured_degC[rows], breaks, colour=colour, width=3.8, alpha=opacity),
            _line(at, sensor.modelled_degC[rows], breaks, colour=theme.ink, width=1.0),
        ]
        if sensor is sensors[0]:
            largest = float(np.percentile(np.abs(off), 99.0))
            data.append(_line(at, off, breaks, colour=colour, width=1.0, axis="y2"))
        for line, words in zip(data[first:], ("measured", "model", "difference"), strict=False):
            unit = "K" if words == "difference" else "°C"
            line["hovertemplate"] = (
                f"{name} {words}: %{{y:.1f}} {unit} at %{{customdata}}<extra></extra>"
            )
    end_s = max(float(sensor.at_s[-1]) for sensor in sensors)
    ticks = _ticks(end_s, 3 if is_narrow else TICKS)
    reach = max(0.5, 1.3 * largest)
    axis = {"showgrid": True, "fixedrange": True, "zeroline": False}
    return {
        "data": data,
        "layout": {
            "template": plotly_template(theme, size_px=12.0),
            "height": TRACE_HEIGHT_PX,
            "margin": {"l": 64, "r": 96, "t": 10, "b": 44},
            "hovermode": "closest",
            "hoverlabel": {"bgcolor": theme.paper, "font": {"color": theme.ink}},
            "xaxis": {
                **axis, "showgrid": False, "anchor": "y2", "range": [0.0, end_s],
                "showline": True, "linecolor": theme.ink,
                "tickangle": 0, "tickvals": ticks,
                "ticktext": [format_elapsed(tick) for tick in ticks],
            },
            "yaxis": {**axis, "domain": [0.34, 1.0], "title": axis_title("°C", theme)},
            "yaxis2": {
                **axis, "domain": [0.0, 0.24], "range": [-reach, reach], "zeroline": True,
                "nticks": 4, "title": axis_title("K", theme),
            },
            "annotations": [
                {
                    "xref": "paper", "x": 1.01, "xanchor": "left", "showarrow": False,
                    "yref": "y", "y": float(sensor.modelled_degC[-1]), "align": "left",
                    "text": f"<b>{sensor.measured_degC[-1]:.1f}</b> {escape(sensor.name)}",
                    "font": {"size": 12, "color": theme.ink},
                }
                for sensor in sensors
            ]
            + [
                {
                    "xref": "paper", "x": 1.01, "xanchor": "left", "showarrow": False,
                    "yref": "y2", "y": 0.0, "align": "left", "text": escape(sensors[0].name),
                    "font": {"size": 12, "color": theme.ink_2},
                }
            ],
        },
    }  # fmt: skip


def _line(
    at_s: Floats,
    values: Floats,
    breaks: NDArray[np.bool_],
    *,
    colour: str,
    width: float,
    axis: str = "y",
    alpha: float = 1.0,
) -> dict[str, Any]:
    x: list[float | None] = []
    y: list[float | None] = []
    words: list[str] = []
    for at, value, is_break in zip(at_s.tolist(), values.tolist(), breaks.tolist(), strict=True):
        if is_break and x:
            x.append(None)
            y.append(None)
            words.append("")
        x.append(round(at, 1))
        y.append(round(value, 3))
        words.append(format_elapsed(at))
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "yaxis": axis,
        "customdata": words,
        "opacity": alpha,
        "line": {"color": colour, "width": width},
    }


def _ticks(end_s: float, most: int) -> list[float]:
    """Return instants of round distance from 0 to the end."""
    step = next((one for one in _NICE_S if end_s / one <= most), _NICE_S[-1])
    while end_s / step > most:
        step *= 2
    return [float(one) for one in np.arange(0.0, end_s + 1e-9, step)]
