"""Where a joint works: a square for each cell of load and speed, its area the share of time. Pure.

Areas and no colours: how much is compared by eye, and the pen stays the joint's.
"""

from typing import Any, Final

import numpy as np

from dashboard.figures.style import axis_title, picture_layout
from dashboard.text.theme import Theme
from logger.joint.quantities import Display
from replay.duty.load_map import LoadMap

__all__ = ["load_map_figure"]

MAP_HEIGHT_PX: Final = 360
LARGEST_PX: Final = 17.0
LEAST_PX: Final = 2.0
LEAST_SHARE: Final = 1e-5


def load_map_figure(
    load_map: LoadMap, *, unit: str, speed: Display, pen: int, theme: Theme
) -> dict[str, Any]:
    """Return the figure.

    Parameters
    ----------
    unit
        Of the load.
    speed
        How speeds are shown.
    """
    rows, columns = np.nonzero(load_map.share > LEAST_SHARE)
    share = load_map.share[rows, columns]
    load = (load_map.load_edges[:-1] + load_map.load_edges[1:]) / 2.0
    turning = (load_map.speed_edges[:-1] + load_map.speed_edges[1:]) / 2.0 * speed.factor
    size = np.maximum(LARGEST_PX * np.sqrt(share / share.max()), LEAST_PX)
    axis = {"showgrid": False, "zeroline": True, "zerolinecolor": theme.line}
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [float(f"{one:.4g}") for one in turning[columns].tolist()],
                "y": [float(f"{one:.4g}") for one in load[rows].tolist()],
                "marker": {
                    "symbol": "square",
                    "size": [round(float(one), 1) for one in size],
                    "color": theme.pen_colour(pen),
                    "line": {"width": 0},
                },
                "customdata": [float(f"{100.0 * one:.2g}") for one in share.tolist()],
                "hovertemplate": f"%{{customdata}} % of the time about %{{y:.3g}} {unit} and "
                f"%{{x:.3g}} {speed.unit}<extra></extra>",
            }
        ],
        "layout": {
            **picture_layout(
                theme,
                left_px=56,
                xaxis={**axis, "title": axis_title(f"speed, {speed.unit}", theme)},
                yaxis={
                    **axis,
                    "title": axis_title(f"{'torque' if unit != 'A' else 'current'}, {unit}", theme),
                },
            ),
            "height": MAP_HEIGHT_PX,
            "margin": {"l": 56, "r": 16, "t": 14, "b": 46},
        },
    }
