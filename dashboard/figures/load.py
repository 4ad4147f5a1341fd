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

from dashboard.figures.curve import round_numbers
from dashboard.figures.style import axis_title, picture_layout
from dashboard.text.theme import Theme, span_words

__all__ = ["LENGTHS_S", "Curved", "Loaded", "load_figure"]

Figure = dict[str, Any]
Floats = NDArray[np.float64]
LENGTHS_S: Final = tuple(sorted({round(one) for one in np.geomspace(1, 86_400, 60)}))
"""Times over which the hardest average is told."""
_TICKS_S: Final = (1, 10, 60, 600, 3600, 36000)
MARKS_MOST: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """The load of one joint of one recording."""

    name: str
    pen: int
    heaviest: Floats
    """For each of LENGTHS_S, NaN where the recording is shorter."""
    duration_s: Floats
    rms: Floats
    """Of each stretch above the setting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curved:
    """The curve of a limit on the joints that have it: n currents, and how long each may last."""

    names: list[str]
    """Of the joints."""
    pen: int
    """Of the first of them."""
    current: Floats
    time_s: Floats


def load_figure(
    curves: Sequence[Curved], loads: Sequence[Loaded], *, unit: str, theme: Theme
) -> Figure:
    """Return the figure of curves and loads; where there is one curve, it is all joints'."""
    data: list[Figure] = []
    for one in loads:
        name = escape(one.name)
        known = np.isfinite(one.heaviest) & (one.heaviest > 0)
        length = np.array(LENGTHS_S)[known]
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": _plain(one.heaviest[known]),
                "y": length.tolist(),
                "line": {"color": theme.pen(one.pen), "width": 1.2},
                "opacity": 0.85,
                "hovertemplate": f"{name}: at most %{{x:.4g}} {unit} over %{{customdata}}"
                "<extra></extra>",
                "customdata": [span_words(float(span)) for span in length],
            }
        )
        kept = np.argsort(one.duration_s)[::-1][:MARKS_MOST]
        if len(kept):
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "x": _plain(one.rms[kept]),
                    "y": _plain(one.duration_s[kept]),
                    "marker": {"color": theme.pen(one.pen), "size": 4, "symbol": "line-ew-open"},
                    "hovertemplate": f"{name}: %{{x:.4g}} {unit} for %{{customdata}}"
                    "<extra></extra>",
                    "customdata": [span_words(float(span)) for span in one.duration_s[kept]],
                }
            )
    data += [_limit(one, alone=len(curves) == 1, unit=unit, theme=theme) for one in curves]
    most = max([*(float(np.nanmax(one.heaviest)) for one in loads if _any(one)), 1e-9])
    setting = min((float(one.current.min()) for one in curves if len(one.current)), default=most)
    low, high = min(most / 20.0, setting / 4.0), max(most * 1.3, setting * 3.0)
    ticks = round_numbers(np.array([low, high]))
    what = "current" if unit == "A" else "torque"
    return {
        "data": data,
        "layout": picture_layout(
            theme,
            left_px=64,
            xaxis={
                "type": "log",
                "title": axis_title(f"{what}, {unit}", theme),
                "range": [float(np.log10(low)), float(np.log10(high))],
                "tickvals": ticks,
                "ticktext": [f"{one:g}" for one in ticks],
            },
            yaxis={
                "type": "log",
                "range": [-0.3, 4.95],
                "tickvals": list(_TICKS_S),
                "ticktext": [span_words(one) for one in _TICKS_S],
            },
        ),
    }


def _limit(one: Curved, *, alone: bool, unit: str, theme: Theme) -> Figure:
    held = np.isfinite(one.time_s) & (one.time_s > 0)
    on = "" if alone else f" on {escape(', '.join(dict.fromkeys(one.names)))}"
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _plain(one.current[held]),
        "y": _plain(one.time_s[held]),
        "line": {"color": theme.ink if alone else theme.pen(one.pen), "width": 2 if alone else 3},
        "hovertemplate": f"the limit{on}: %{{x:.4g}} {unit} for %{{customdata}}<extra></extra>",
        "customdata": [span_words(float(span)) for span in one.time_s[held]],
    }


def _any(one: Loaded) -> bool:
    return bool(np.isfinite(one.heaviest).any())


def _plain(values: Floats) -> list[float]:
    return [float(f"{one:.5g}") for one in values.tolist()]
