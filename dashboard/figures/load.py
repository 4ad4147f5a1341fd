"""A joint's own load beside a time-current curve: how hard, for how long. Pure.

The curve says how long each current may last; each joint's line says the hardest average of any
time of that length, and each small mark is a stretch above the setting with its own length and
root mean square. Where a joint's line reaches the curve, the limit has something to say.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.curve import decade_numbers
from dashboard.figures.style import axis_title, picture_layout
from dashboard.text.format import format_duration
from dashboard.text.theme import Theme

__all__ = ["AVERAGING_TIMES_S", "CurveLine", "JointLoad", "load_figure"]

LoadFigure = dict[str, Any]
Floats = NDArray[np.float64]
AVERAGING_TIMES_S: Final = tuple(sorted({round(one) for one in np.geomspace(1, 86_400, 60)}))
"""Times over which the hardest average is told."""
_LOAD_TICKS_S: Final = (1, 10, 60, 600, 3600, 36000)
MAX_LOAD_MARKS: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class JointLoad:
    """The load of one joint of one recording."""

    name: str
    pen: int
    max_rms: Floats
    """For each of LENGTHS_S, NaN where the recording is shorter."""
    duration_s: Floats
    span_rms: Floats
    """Of each stretch above the setting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveLine:
    """The curve of a limit on the joints that have it: n currents, and how long each may last."""

    names: list[str]
    """Of the joints."""
    pen: int
    """Of the first of them."""
    current: Floats
    time_s: Floats


def load_figure(
    curves: Sequence[CurveLine], loads: Sequence[JointLoad], *, unit: str, theme: Theme
) -> LoadFigure:
    """Return the figure of curves and loads; where there is one curve, it is all joints'."""
    data: list[LoadFigure] = []
    for one in loads:
        name = escape(one.name)
        is_drawable = np.isfinite(one.max_rms) & (one.max_rms > 0)
        length = np.array(AVERAGING_TIMES_S)[is_drawable]
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": _short_numbers(one.max_rms[is_drawable]),
                "y": length.tolist(),
                "line": {"color": theme.pen_colour(one.pen), "width": 1.2},
                "opacity": 0.85,
                "hovertemplate": f"{name}: at most %{{x:.4g}} {unit} over %{{customdata}}"
                "<extra></extra>",
                "customdata": [format_duration(float(span)) for span in length],
            }
        )
        longest_spans = np.argsort(one.duration_s)[::-1][:MAX_LOAD_MARKS]
        if len(longest_spans):
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "x": _short_numbers(one.span_rms[longest_spans]),
                    "y": _short_numbers(one.duration_s[longest_spans]),
                    "marker": {
                        "color": theme.pen_colour(one.pen),
                        "size": 4,
                        "symbol": "line-ew-open",
                    },
                    "hovertemplate": f"{name}: %{{x:.4g}} {unit} for %{{customdata}}"
                    "<extra></extra>",
                    "customdata": [
                        format_duration(float(span)) for span in one.duration_s[longest_spans]
                    ],
                }
            )
    data += [
        _limit_trace(one, is_only_curve=len(curves) == 1, unit=unit, theme=theme) for one in curves
    ]
    highest = max([*(float(np.nanmax(one.max_rms)) for one in loads if _has_load(one)), 1e-9])
    setting = min((float(one.current.min()) for one in curves if len(one.current)), default=highest)
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
                "ticktext": [f"{one:g}" for one in ticks],
            },
            yaxis={
                "type": "log",
                "range": [-0.3, 4.95],
                "tickvals": list(_LOAD_TICKS_S),
                "ticktext": [format_duration(one) for one in _LOAD_TICKS_S],
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
