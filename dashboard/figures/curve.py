"""A time-current curve as in handbooks: both axes logarithmic. Pure."""

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.text.theme import LIGHT, Theme, plotly_template

__all__ = ["curve_figure", "decade_numbers"]

_DECADE_LABELS = {0.001: "1 ms", 0.01: "10 ms", 0.1: "0.1 s", 1.0: "1 s", 10.0: "10 s",
                 60.0: "1 min", 600.0: "10 min", 3600.0: "1 h", 36000.0: "10 h"}  # fmt: skip


def curve_figure(
    current: NDArray[np.float64],
    time_s: NDArray[np.float64],
    *,
    title: str,
    unit: str,
    theme: Theme = LIGHT,
) -> go.Figure:
    """Return the figure of how long each current may last, without those carried for ever."""
    is_drawable = np.isfinite(time_s) & (time_s > 0)
    x, y = current[is_drawable], time_s[is_drawable]
    figure = go.Figure(
        go.Scatter(
            x=x,
            y=y,
            mode="lines",
            line={"color": theme.pens[0], "width": 2},
            hovertemplate=f"%{{x:.4g}} {unit}: %{{y:.4g}} s<extra></extra>",
        )
    )
    axis = {"type": "log", "showgrid": True, "gridcolor": theme.hair, "fixedrange": False}
    figure.update_layout(
        template=plotly_template(theme, size_px=14.0),
        paper_bgcolor=theme.paper,
        title={"text": title, "x": 0.02, "font": {"size": 18}},
        hovermode="closest",
        margin={"l": 80, "r": 30, "t": 60, "b": 60},
        xaxis={
            **axis,
            "title": {"text": f"current, {unit}"},
            "tickvals": decade_numbers(x),
            "ticktext": [f"{value:g}" for value in decade_numbers(x)],
        },
        yaxis={
            **axis,
            "title": {"text": "time until it operates"},
            "tickvals": list(_DECADE_LABELS),
            "ticktext": list(_DECADE_LABELS.values()),
        },
    )
    return figure


def decade_numbers(x: NDArray[np.float64]) -> list[float]:
    """Return 1, 2, 3 and 5 of every decade that the currents reach."""
    if len(x) == 0:
        return []
    decades = range(int(np.floor(np.log10(x[0]))), int(np.ceil(np.log10(x[-1]))) + 1)
    return [float(f"{digit}e{decade}") for decade in decades for digit in (1, 2, 3, 5)]
