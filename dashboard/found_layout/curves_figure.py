"""The decoded curves over the steps as a figure, beside what physics expects. Pure.

Expected is: of a position one turn out in the turn; of a speed the derivative of the position; of a
load the weight on its arm; of a temperature the room's in the rest; of a voltage the supply's.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from dashboard.figures.style import axis_title, rgba_colour
from dashboard.found_layout.curves import Curve
from dashboard.found_layout.proposed import FoundLayout
from dashboard.found_layout.question import LayoutRequest
from dashboard.text.format import format_elapsed
from dashboard.text.theme import Theme, channel_label, display_of, plotly_template
from dashboard.text.units import Displays
from logger.arrays import Floats
from replay.measure.reading import GRAVITY_M_S2

__all__ = ["curves_figure"]

ROW_PX: Final = 132
TOP_PX, BOTTOM_PX = 34, 44
MAX_CURVES: Final = 8
_SMOOTH_S: Final = 0.1


def curves_figure(
    found: FoundLayout, request: LayoutRequest, *, theme: Theme, displays: Displays
) -> dict[str, Any] | None:
    """Return the figure, a row for each channel; None where there is no curve."""
    curves = found.curves[:MAX_CURVES]
    if not curves:
        return None
    height = TOP_PX + BOTTOM_PX + ROW_PX * len(curves)
    share = 1.0 / len(curves)
    data, layout = [], _layout(found, theme, height)
    for row, curve in enumerate(curves):
        axis = "y" if row == 0 else f"y{row + 1}"
        display = display_of(curve.channel, displays)
        top = 1.0 - row * share
        layout[axis.replace("y", "yaxis")] = {
            "domain": [top - share * 0.82, top],
            "nticks": 4, "zeroline": False, "showgrid": True, "fixedrange": True,
            "title": axis_title(f"{_row_label(curve.channel)}<br>{display.unit}", theme),
        }  # fmt: skip
        x = curve.time_s + found.first_s
        data.append(_stroke(x, curve.values * display.factor, axis, theme.pen_colour(1), 1.4))
        expected = _expected(curve, found.curves, found, request)
        if expected is not None:
            data.append(_dashes(expected[0], expected[1] * display.factor, axis, theme.ink))
    return {"data": data, "layout": layout}


def _layout(found: FoundLayout, theme: Theme, height: float) -> dict[str, Any]:
    shade = rgba_colour(theme.ink, 0.07 if theme.name == "light" else 0.09)
    begin = min((begin for _, begin, _ in found.steps), default=0.0)
    end = max((end for *_, end in found.steps), default=1.0)
    ticks = [round(one) for one in np.linspace(begin, end, 7).tolist()]
    return {
        "template": plotly_template(theme, size_px=12.0),
        "height": height,
        "margin": {"l": 74, "r": 12, "t": TOP_PX, "b": BOTTOM_PX},
        "showlegend": False,
        "hovermode": "closest",
        "xaxis": {
            "range": [begin - 2.0, end + 2.0], "fixedrange": True, "showgrid": False,
            "anchor": "free", "position": 0.0, "showline": True, "linecolor": theme.ink,
            "tickvals": ticks, "ticktext": [format_elapsed(one) for one in ticks],
        },
        "shapes": [
            {
                "type": "rect", "xref": "x", "yref": "paper", "layer": "below", "x0": first,
                "x1": last, "y0": 0.0, "y1": 1.0, "fillcolor": shade, "line": {"width": 0},
            }
            for _, first, last in found.steps
        ],
        "annotations": [
            {
                "xref": "x", "yref": "paper", "x": (first + last) / 2.0, "y": 1.0,
                "yanchor": "bottom", "showarrow": False, "text": name,
                "font": {"size": 13, "color": theme.ink},
            }
            for name, first, last in found.steps
        ],
    }  # fmt: skip


def _row_label(channel: str) -> str:
    """Return what a row is called: a place alone does not say of what."""
    label, quantity = channel_label(channel), channel.partition("_")[0]
    return label if quantity in label else f"{quantity}, {label}"


def _stroke(x: Floats, y: Floats, axis: str, colour: str, width: float) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines", "yaxis": axis,
        "x": np.round(x, 3).tolist(),
        "y": [float(f"{one:.6g}") for one in y.tolist()],
        "line": {"color": colour, "width": width}, "hovertemplate": "%{y}<extra></extra>",
    }  # fmt: skip


def _dashes(x: Floats, y: Floats, axis: str, colour: str) -> dict[str, Any]:
    stroke = _stroke(x, y, axis, colour, 1.2)
    stroke["line"] = {**stroke["line"], "dash": "dash"}
    return stroke | {"hovertemplate": "expected: %{y}<extra></extra>"}


def _expected(
    curve: Curve, curves: Sequence[Curve], found: FoundLayout, request: LayoutRequest
) -> tuple[Floats, Floats] | None:
    """Return (seconds of the recording, value) of what is expected of a channel; None: unknown."""
    steps = {name: (begin, end) for name, begin, end in found.steps}
    typed = dict(request.typed)
    quantity = curve.channel.partition("_")[0]
    position = next((one for one in curves if one.channel == "position_rad"), None)
    if quantity == "position" and "turn" in steps:
        begin, end = steps["turn"]
        sign = 1.0 if request.positive == "first way" else -1.0
        start = float(np.interp(begin - found.first_s, curve.time_s, curve.values))
        ends = np.array([begin, end])
        return ends, np.full(2, start + sign * 2.0 * np.pi)
    if quantity == "speed" and position is not None:
        return position.time_s + found.first_s, _smooth_derivative(position)
    if quantity == "torque" and position is not None and "load" in steps:
        return _weight_torque(curve, position, steps["load"], typed, found.first_s)
    level = {"temperature": ("ambient_degC", "rest"), "voltage": ("supply_V", "rest")}.get(quantity)
    if level is None or level[0] not in typed:
        return None
    begin, end = steps.get(level[1], (found.steps[0][1], found.steps[-1][2]))
    if quantity == "voltage":
        begin, end = found.steps[0][1], found.steps[-1][2]
    return np.array([begin, end]), np.full(2, typed[level[0]])


def _smooth_derivative(position: Curve) -> Floats:
    """Return the speed over 0.1 s and more around each instant: positions are counts."""
    if len(position.time_s) < 3:
        return np.zeros(len(position.time_s))
    before = np.interp(position.time_s - _SMOOTH_S, position.time_s, position.values)
    after = np.interp(position.time_s + _SMOOTH_S, position.time_s, position.values)
    return (after - before) / (2.0 * _SMOOTH_S)


def _weight_torque(
    torque: Curve,
    position: Curve,
    load: tuple[float, float],
    typed: Mapping[str, float],
    first_s: float,
) -> tuple[Floats, Floats] | None:
    """Return what the weight on its arm asks for in the load step, which begins with it hanging."""
    if not {"mass_kg", "arm_m"} <= typed.keys():
        return None
    inside = (position.time_s + first_s >= load[0]) & (position.time_s + first_s <= load[1])
    if not inside.any():
        return None
    time_s = position.time_s[inside]
    angle = position.values[inside] - position.values[inside][0]
    weight = typed["mass_kg"] * typed["arm_m"] * GRAVITY_M_S2 * np.sin(angle)
    # Which way is positive in the torque is not known of it alone.
    agrees = float(np.dot(weight, np.interp(time_s, torque.time_s, torque.values)))
    return time_s + first_s, weight if agrees >= 0.0 else -weight
