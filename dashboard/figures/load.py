"""The load of joints against a time-current curve. Pure.

The curve is how long each current may last. The line of a joint is its largest average over any
span of each duration, and each small mark is a span above the setting with its own duration and
root mean square. Where the line of a joint reaches the curve, the limit may operate.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np

from dashboard.figures.curve import decade_numbers
from dashboard.figures.style import axis_title, picture_layout
from dashboard.text.format import format_duration
from dashboard.text.theme import Theme
from logger.arrays import Floats

__all__ = ["AVERAGING_TIMES_S", "CurveLine", "JointLoad", "load_figure"]

LoadFigure = dict[str, Any]
AVERAGING_TIMES_S: Final = tuple(
    sorted({round(duration) for duration in np.geomspace(1, 86_400, 60)})
)
"""Durations in s over which the largest average is drawn."""
_LOAD_TICKS_S: Final = (1, 10, 60, 600, 3600, 36000)
MAX_LOAD_MARKS: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class JointLoad:
    """The load of one joint of one recording."""

    name: str
    pen: int
    max_rms: Floats
    """Largest RMS over each of `AVERAGING_TIMES_S`, NaN where the recording is shorter."""
    duration_s: Floats
    span_rms: Floats
    """Duration and RMS of each span above the setting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveLine:
    """The curve of a limit on the joints that have it: n currents, and how long each may last."""

    names: list[str]
    """Names of the joints."""
    pen: int
    """Pen of the first of them."""
    current: Floats
    time_s: Floats


def load_figure(
    curves: Sequence[CurveLine], loads: Sequence[JointLoad], *, unit: str, theme: Theme
) -> LoadFigure:
    """Return the figure of curves and loads; a single curve is that of all joints."""
    data: list[LoadFigure] = []
    for load in loads:
        name = escape(load.name)
        is_drawable = np.isfinite(load.max_rms) & (load.max_rms > 0)
        length = np.array(AVERAGING_TIMES_S)[is_drawable]
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": _short_numbers(load.max_rms[is_drawable]),
                "y": length.tolist(),
                "line": {"color": theme.pen_colour(load.pen), "width": 1.2},
                "opacity": 0.85,
                "hovertemplate": f"{name}: at most %{{x:.4g}} {unit} over %{{customdata}}"
                "<extra></extra>",
                "customdata": [format_duration(float(span)) for span in length],
            }
        )
        longest_spans = np.argsort(load.duration_s)[::-1][:MAX_LOAD_MARKS]
        if len(longest_spans):
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "x": _short_numbers(load.span_rms[longest_spans]),
                    "y": _short_numbers(load.duration_s[longest_spans]),
                    "marker": {
                        "color": theme.pen_colour(load.pen),
                        "size": 4,
                        "symbol": "line-ew-open",
                    },
                    "hovertemplate": f"{name}: %{{x:.4g}} {unit} for %{{customdata}}"
                    "<extra></extra>",
                    "customdata": [
                        format_duration(float(span)) for span in load.duration_s[longest_spans]
                    ],
                }
            )
    data += [
        _limit_trace(curve, is_only_curve=len(curves) == 1, unit=unit, theme=theme)
        for curve in curves
    ]
    highest = max([*(float(np.nanmax(load.max_rms)) for load in loads if _has_load(load)), 1e-9])
    setting = min(
        (float(curve.current.min()) for curve in curves if len(curve.current)), default=highest
    )
    low, high = min(highest / 20.0, setting / 4.0), max(highest * 1.3, setting * 3.0)
    ticks = decade_numbers(np.array([low, high]))
    quantity = "current" if unit == "A" else "torque"
    return {
        "data": data,
        "layout": picture_layout(
            theme,
            left_px=64,
            xaxis={
                "type": "log",
                "title": axis_title(f"{quantity}, {unit}", theme),
                "range": [float(np.log10(low)), float(np.log10(high))],
                "tickvals": ticks,
                "ticktext": [f"{tick:g}" for tick in ticks],
            },
            yaxis={
                "type": "log",
                "range": [-0.3, 4.95],
                "tickvals": list(_LOAD_TICKS_S),
                "ticktext": [format_duration(tick) for tick in _LOAD_TICKS_S],
            },
        ),
    }


def _limit_trace(curve: CurveLine, *, is_only_curve: bool, unit: str, theme: Theme) -> LoadFigure:
    is_drawable = np.isfinite(curve.time_s) & (curve.time_s > 0)
    on = "" if is_only_curve else f" on {escape(', '.join(dict.fromkeys(curve.names)))}"
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _short_numbers(curve.current[is_drawable]),
        "y": _short_numbers(curve.time_s[is_drawable]),
        "line": {
            "color": theme.ink if is_only_curve else theme.pen_colour(curve.pen),
            "width": 2 if is_only_curve else 3,
        },
        "hovertemplate": f"the limit{on}: %{{x:.4g}} {unit} for %{{customdata}}<extra></extra>",
        "customdata": [format_duration(float(span)) for span in curve.time_s[is_drawable]],
    }


def _has_load(load: JointLoad) -> bool:
    return bool(np.isfinite(load.max_rms).any())


def _short_numbers(values: Floats) -> list[float]:
    return [float(f"{value:.5g}") for value in values.tolist()]
