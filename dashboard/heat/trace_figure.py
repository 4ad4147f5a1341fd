"""Measured temperatures, what the model says of them, and the difference below. Pure."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.annotation_shapes import TINT_OPACITY
from dashboard.figures.style import axis_title
from dashboard.text.format import format_elapsed
from dashboard.text.theme import STATE_BY_SEVERITY, Theme, plotly_template
from logger.arrays import Floats
from logger.limits.levels import LimitLevel

__all__ = ["ChangeMark", "ModelledSensor", "SensorLevel", "heat_trace_figure"]

TRACE_HEIGHT_PX: Final = 360
LEVELS_PX: Final = 200
"""Of them, that the temperatures have."""
NAME_PX: Final = 15
MOST_POINTS: Final = 1500
TICKS: Final = 7
_NICE_S: Final = (60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 21600, 43200, 86400)
DARK_MEASURED_OPACITY: Final = 0.62
"""The thin line of the model has to stand out on the wide one."""
LEAST_TRACE_SHARE: Final = 0.2
"""Of the axis, that the traces fill: a level that would leave them less is named at its edge."""
INTERVAL_OPACITY: Final = 0.1
LEAST_RANGE_K: Final = 4.0
"""Of traces that hardly move: whole degrees of them fill no axis."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorLevel:
    """A level of a limit in force on one of the sensors."""

    place: str
    """Name of the sensor."""
    level: LimitLevel


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeMark:
    """When cooling, heat or room changed, as the figure shows it."""

    name: str
    at_s: tuple[float, float, float]
    """Since the start of the recording: likeliest, and 95 % interval."""


def heat_trace_figure(
    sensors: Sequence[ModelledSensor],
    levels: Sequence[SensorLevel] = (),
    changes: Sequence[ChangeMark] = (),
    *,
    pen: int,
    theme: Theme,
    is_narrow: bool = False,
) -> dict[str, Any]:
    """Return the figure: wide what was measured, thin what the model says.

    The difference below is of the first sensor. `levels`: of the limits in force on these sensors.
    `changes`: marked across temperatures and difference.
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
    low, high = _axis_ends(sensors, levels)
    return {
        "data": data,
        "layout": {
            "template": plotly_template(theme, size_px=12.0),
            "height": TRACE_HEIGHT_PX,
            "margin": {"l": 64, "r": 96, "t": 24 if changes else 10, "b": 44},
            "hovermode": "closest",
            "hoverlabel": {"bgcolor": theme.paper, "font": {"color": theme.ink}},
            "xaxis": {
                **axis, "showgrid": False, "anchor": "y2", "range": [0.0, end_s],
                "showline": True, "linecolor": theme.ink,
                "tickangle": 0, "tickvals": ticks,
                "ticktext": [format_elapsed(tick) for tick in ticks],
            },
            "yaxis": {
                **axis, "domain": [0.34, 1.0], "range": [low, high],
                "title": axis_title("°C", theme),
            },
            "yaxis2": {
                **axis, "domain": [0.0, 0.24], "range": [-reach, reach], "zeroline": True,
                "nticks": 4, "title": axis_title("K", theme),
            },
            "shapes": [
                *_level_shapes(
                    levels, (low, high), theme, end_s=end_s, is_tinted=len(sensors) == 1
                ),
                *_change_shapes(changes, theme),
            ],
            "annotations": [
                *_level_names(levels, (low, high), theme, names_place=len(sensors) > 1),
                *_change_names(changes, theme),
            ]
            + [
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


def _axis_ends(
    sensors: Sequence[ModelledSensor], levels: Sequence[SensorLevel]
) -> tuple[float, float]:
    """Return the ends of the axis of temperatures: traces, and the levels that leave them room."""
    values = np.concatenate([[*one.measured_degC, *one.modelled_degC] for one in sensors])
    low, high = float(values.min()), float(values.max())
    room = max(high - low, LEAST_RANGE_K) / LEAST_TRACE_SHARE
    for at in sorted((one.level.pick_up for one in levels), key=lambda at: abs(at - high)):
        if max(at, high) - min(at, low) <= room:
            low, high = min(at, low), max(at, high)
    margin = 0.06 * max(high - low, 1.0)
    return low - margin, high + margin


def _level_shapes(
    levels: Sequence[SensorLevel],
    ends: tuple[float, float],
    theme: Theme,
    *,
    end_s: float,
    is_tinted: bool,
) -> list[dict[str, Any]]:
    """Return a line at each level, and what is beyond as a tint, as far as the next level.

    Of several places in one figure a tint would lie over the wrong trace: lines alone.
    """
    shown = [one.level for one in levels if ends[0] < one.level.pick_up < ends[1]]
    # Plotly draws between grid and traces only what is placed on two axes, not in their domain.
    across = {"xref": "x", "x0": 0.0, "x1": end_s, "yref": "y"}
    shapes: list[dict[str, Any]] = [
        {
            "type": "line",
            **across,
            # A level often lies on a line of the grid, which would hide it.
            "layer": "between",
            "y0": one.pick_up,
            "y1": one.pick_up,
            "line": {"color": theme.ink, "width": 1},
        }
        for one in shown
    ]
    if not is_tinted:
        return shapes
    rising = sorted((one for one in shown if one.is_rising), key=lambda one: one.pick_up)
    for one, above in itertools.zip_longest(rising, rising[1:]):
        mark = STATE_BY_SEVERITY[one.severity]
        shapes.append(
            {
                "type": "rect",
                **across,
                "layer": "below",
                "y0": one.pick_up,
                "y1": ends[1] if above is None else above.pick_up,
                "fillcolor": theme.state_colours(mark)[0],
                "opacity": TINT_OPACITY[theme.name][mark],
                "line": {"width": 0},
            }
        )
    return shapes


def _change_shapes(changes: Sequence[ChangeMark], theme: Theme) -> list[dict[str, Any]]:
    """Return a line at each change, over a band as wide as its interval."""
    tall = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
    shapes: list[dict[str, Any]] = []
    for one in changes:
        at, first, last = one.at_s
        band = {"fillcolor": theme.ink, "opacity": INTERVAL_OPACITY, "line": {"width": 0}}
        line = {"color": theme.ink, "width": 1, "dash": "2px,3px"}
        shapes.append({"type": "rect", **tall, "x0": first, "x1": last, **band})
        shapes.append({"type": "line", **tall, "x0": at, "x1": at, "line": line})
    return shapes


def _change_names(changes: Sequence[ChangeMark], theme: Theme) -> list[dict[str, Any]]:
    """Return the name of each change above its line."""
    return [
        {
            "xref": "x", "x": one.at_s[0], "yref": "paper", "y": 1.0, "yanchor": "bottom",
            "text": escape(one.name), "showarrow": False,
            "font": {"size": 12, "color": theme.ink},
        }
        for one in changes
    ]  # fmt: skip


def _level_names(
    levels: Sequence[SensorLevel],
    ends: tuple[float, float],
    theme: Theme,
    *,
    names_place: bool,
) -> list[dict[str, Any]]:
    """Return the name of each level at the left of its line; of those outside, at the edge."""
    font = {"size": 12, "color": theme.ink_2}
    name_rise = NAME_PX / LEVELS_PX * (ends[1] - ends[0])
    lowest_name = math.inf
    out: list[dict[str, Any]] = []
    outside: dict[bool, list[str]] = {True: [], False: []}
    for one in sorted(levels, key=lambda one: -one.level.pick_up):
        level = one.level
        below = "" if level.is_rising else "below "
        place = f"{one.place} " if names_place else ""
        words = f"{place}{level.prefix}{level.severity} {below}{level.pick_up:g}"
        if not ends[0] < level.pick_up < ends[1]:
            outside[level.pick_up >= ends[1]].append(words)
            continue
        # Above its line, or where another name is there, below it.
        is_above = lowest_name - level.pick_up >= name_rise
        lowest_name = level.pick_up - (0.0 if is_above else name_rise)
        out.append(
            {
                "xref": "x domain", "x": 0.0, "xanchor": "left", "xshift": 4, "yref": "y",
                "y": level.pick_up, "yanchor": "bottom" if is_above else "top",
                "text": escape(words), "showarrow": False, "font": font,
            }
        )  # fmt: skip
    for is_above, words_outside in outside.items():
        if words_outside:
            arrow = "↑" if is_above else "↓"
            out.append(
                {
                    "xref": "x domain", "x": 1.0, "xanchor": "right", "xshift": -4,
                    "yref": "y domain", "y": 1.0 if is_above else 0.0,
                    "yanchor": "top" if is_above else "bottom",
                    "text": escape(f"{arrow} {', '.join(words_outside)}"), "showarrow": False,
                    "font": font,
                }
            )  # fmt: skip
    return out


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
