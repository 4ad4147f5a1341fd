"""The figure of a measurement, from the arrays that its evaluation gives. Pure.

One function a kind; a kind without arrays has no figure.
"""

from collections.abc import Callable, Mapping
from html import escape
from typing import Any, Final

import numpy as np

from dashboard.figures.style import axis_title, picture_layout, rgba_colour
from dashboard.text.theme import Theme, channel_label, display_of
from logger.arrays import Floats

__all__ = ["measurement_figure"]

LEFT_PX: Final = 62
_MODE_UNITS: Final = {"torque": "N.m", "current": "A", "speed": "rad/s", "position": "rad"}
LOADING, UNLOADING = 1, -1
Figure = dict[str, Any]
Arrays = Mapping[str, Any]


def measurement_figure(kind: str, picture: Arrays, *, pen: int, theme: Theme) -> Figure | None:
    """Return the figure of a kind; None where it has none, or nothing to draw."""
    colour = theme.pen_colour(pen)
    name = "tip" if kind == "backlash" and "loops" not in picture else kind
    draw = _KIND_FIGURES.get(name)
    return draw(picture, colour, theme) if draw else None


def _loops(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Motor angle over torque, each loop with its middle dashed; the play as a bracket."""
    loops = picture["loops"]
    if not loops:
        return None
    data = []
    for loop in loops:
        torque, angle = np.array(loop["torque_Nm"]), np.array(loop["angle_arcmin"])
        zero = _centre(torque, angle)
        data.append(_stroke(torque, angle - zero, colour, 1.8, "%{x:.2f} N·m, %{y:.2f} arcmin"))
        middle = _mid_line(torque, angle - zero)
        if middle is not None:
            data.append(_stroke(*middle, theme.ink, 1.0, "middle: %{y:.2f} arcmin", dash="dash"))
    half = loops[0]["play_arcmin"] / 2.0
    layout = _layout(theme, "torque, N·m", "motor angle, arcmin")
    layout["shapes"] = [_upright(0.0, (-half, half), theme.ink, 2.0)]
    layout["shapes"] += [
        {
            "type": "line", "xref": "x", "yref": "paper", "x0": at, "x1": at, "y0": 0, "y1": 1,
            "line": {"color": theme.ink_2, "width": 1, "dash": "dot"},
        }
        for at in (-picture["level_Nm"], picture["level_Nm"])
    ]  # fmt: skip
    layout["annotations"] = [
        _label(0.0, half, f"play {2.0 * half:.2g} arcmin", theme, xanchor="right", xshift=-8)
    ]
    return {"data": data, "layout": layout}


def _tips(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Two humps for each force: where the tip stands when it is pushed one way and the other."""
    tip, force = np.array(picture.get("tip_mm", ())), picture.get("force_N", ())
    if not len(tip) or any(one is None for one in force):
        return None
    force = np.array(force, float)
    division = float(picture.get("division_mm") or 0.0)
    levels = sorted({round(abs(one), 6) for one in force.tolist()})
    data, annotations = [], []
    room = max(float(np.ptp(tip)), division, 1e-3)
    x = np.linspace(float(tip.min()) - 0.4 * room, float(tip.max()) + 0.4 * room, 240)
    for row, level in enumerate(levels):
        for sign in (1.0, -1.0):
            own = tip[np.isclose(force, sign * level)]
            if not len(own):
                continue
            wide = max(float(own.std()), division / np.sqrt(12.0), 0.01 * room)
            hump = row + 0.8 * np.exp(-0.5 * ((x - own.mean()) / wide) ** 2)
            words = f"{sign * level:+g} N".replace("-", "\u2212")
            data.append(_stroke(x, hump, colour, 1.6, f"{words}: {own.mean():.2f} mm"))
            data.append(_dots(own, np.full(len(own), float(row)), colour, "%{x:.2f} mm"))
            annotations.append(
                _label(float(own.mean()), row + 0.82, words, theme, yanchor="bottom")
            )
    layout = _layout(theme, "tip, mm", "")
    layout["yaxis"] |= {
        "showticklabels": False,
        "showgrid": False,
        "range": [-0.15, len(levels) + 0.1],
    }
    layout["annotations"] = annotations
    return {"data": data, "layout": layout}


def _torque(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Dots and lines, loading filled and unloading hollow; what the lines leave stands below."""
    if "current_A" not in picture:
        return None
    current, torque = np.array(picture["current_A"]), np.array(picture["torque_Nm"])
    branch = np.array(picture["branch"])
    data = []
    most = float(current.max()) if len(current) else 1.0
    for way, line, words in zip(
        (LOADING, UNLOADING), picture["lines"], ("rising", "falling"), strict=True
    ):
        own = branch == way
        hover = f"current {words}: %{{x:.2f}} A, %{{y:.3f}} N·m"
        data.append(_dots(current[own], torque[own], colour, hover, hollow=way == UNLOADING))
        if line is None:
            continue
        ends = np.array([float(current[own].min()), most])
        data.append(_stroke(ends, line[0] + line[1] * ends, theme.ink, 1.0, f"line, {words}"))
        left = torque[own] - line[0] - line[1] * current[own]
        below = _dots(current[own], 1e3 * left, colour, "%{y:.1f} mN·m", hollow=way == UNLOADING)
        data.append(below | {"yaxis": "y2"})
    off = (branch != LOADING) & (branch != UNLOADING)
    dead = _dots(
        current[off], torque[off], theme.line, "in the dead band: %{x:.2f} A, %{y:.3f} N·m"
    )
    data.append(dead | {"marker": {"color": theme.line, "size": 7, "symbol": "x-thin-open"}})
    layout = _layout(theme, "current, A", "torque, N·m")
    layout["xaxis"] |= {"anchor": "y2"}
    layout["yaxis"] |= {"domain": [0.36, 1.0]}
    layout["yaxis2"] = {
        **layout["yaxis"], "domain": [0.0, 0.24], "zeroline": True, "nticks": 4,
        "title": axis_title("off, mN·m", theme),
    }  # fmt: skip
    return {"data": data, "layout": layout}


def _ceiling(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Draw what was asked for and came, by mode; a bar is as wide as it was held."""
    holds = picture.get("holds") or ()
    if not holds:
        return None
    modes = list(dict.fromkeys(one["mode"] for one in holds))
    data, ticks, names = [], [], []
    at = 0.0
    for mode in modes:
        own = [one for one in holds if one["mode"] == mode]
        begin = at
        for one in own:
            wide = max(float(one["duration_s"]), 0.05)
            hover = (
                f"{mode}: held %{{customdata:.1f}} s<br>"
                f"asked {one['asked']:.3g}, came {one['came']:.3g}"
            )
            data.append(
                {
                    "type": "bar", "x": [at + wide / 2.0], "y": [one["came"]], "width": [wide],
                    "customdata": [one["duration_s"]],
                    "marker": {
                        "color": rgba_colour(colour, 0.30), "line": {"color": colour, "width": 1.2},
                    },
                    "hovertemplate": hover + "<extra></extra>",
                }
            )  # fmt: skip
            data.append(
                _stroke(
                    np.array([at, at + wide]), np.array([one["asked"]] * 2), theme.ink, 1.6, "asked"
                )
            )
            at += 1.15 * wide
        ticks.append((begin + at) / 2.0)
        held = sum(float(one["duration_s"]) for one in own)
        unit = _unit_text(_MODE_UNITS.get(mode, ""))
        names.append(f"{escape(mode)} mode, {unit}<br>held {held:.1f} s")
        at += 0.4
    layout = _layout(theme, "", "asked (line), came (bar)")
    layout["xaxis"] |= {"tickvals": ticks, "ticktext": names, "showgrid": False}
    return {"data": data, "layout": layout}


def _spectrum(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Amplitude over frequency, up to the highest that this reporting can tell."""
    frequency, amplitude = np.array(picture["frequency_Hz"]), np.array(picture["amplitude"])
    if len(frequency) < 3:
        return None
    display = display_of(picture["channel"])
    shown = amplitude * display.factor
    highest = float(frequency[-1])
    layout = _layout(theme, "frequency, Hz", f"{channel_label(picture['channel'])}, {display.unit}")
    layout["xaxis"] |= {"range": [0.0, 1.02 * highest]}
    layout["shapes"] = [_upright(highest, (0.0, float(shown.max())), theme.none, 1.4)]
    layout["annotations"] = [
        _label(highest, float(shown.max()), f"no higher than {highest:.3g} Hz can be told", theme,
               xanchor="right", xshift=-6)
    ]  # fmt: skip
    hover = f"%{{x:.2f}} Hz, %{{y:.3g}} {display.unit}"
    return {"data": [_stroke(frequency[1:], shown[1:], colour, 1.4, hover)], "layout": layout}


def _friction_figure(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Torque of each pass over its speed, forward right and backward left, and their halves."""
    speed = np.abs(np.array(picture["speed_rad_s"]))
    if not len(speed):
        return None
    factor = display_of("speed_rad_s").factor
    unit = display_of("speed_rad_s").unit
    plus, minus, half = (np.array(picture[name]) for name in ("plus", "minus", "friction"))
    data = [
        _dots(factor * speed, plus, colour, f"forward: %{{x:.1f}} {unit}, %{{y:.3f}}"),
        _dots(-factor * speed, minus, colour, f"back: %{{x:.1f}} {unit}, %{{y:.3f}}"),
        _dots(factor * speed, half, theme.ink, "friction: %{y:.3f}", hollow=True),
    ]
    layout = _layout(
        theme,
        f"speed, {unit}",
        f"forward, back (filled), friction (hollow), {_unit_text(picture['unit'])}",
    )
    layout["xaxis"] |= {"zeroline": True}
    layout["yaxis"] |= {"zeroline": True}
    return {"data": data, "layout": layout}


def _free(picture: Arrays, colour: str, theme: Theme) -> Figure | None:
    """Each pull, forward and backward; half of their distance is friction."""
    forward, backward = np.array(picture["forward"]), np.array(picture["backward"])
    data = [
        _dots(forward, np.full(len(forward), 1.0), colour, "forward: %{x:.4g}"),
        _dots(backward, np.full(len(backward), 0.0), colour, "backward: %{x:.4g}", hollow=True),
    ]
    layout = _layout(theme, "the scale", "")
    layout["height"] = 180
    layout["margin"] |= {"l": 86}
    layout["yaxis"] |= {
        "tickvals": [0.0, 1.0],
        "ticktext": ["backward", "forward"],
        "range": [-0.6, 1.6],
    }
    return {"data": data, "layout": layout}


_KIND_FIGURES: Final[dict[str, Callable[[Arrays, str, Theme], Figure | None]]] = {
    "backlash": _loops,
    "tip": _tips,
    "torque": _torque,
    "ceiling": _ceiling,
    "oscillation": _spectrum,
    "friction": _friction_figure,
    "free": _free,
}


def _unit_text(ucum: str) -> str:
    return ucum.replace(".", "·")


def _layout(theme: Theme, across: str, up: str) -> dict[str, Any]:
    layout = picture_layout(
        theme,
        left_px=LEFT_PX,
        xaxis={"title": axis_title(across, theme), "showline": True, "linecolor": theme.ink},
        yaxis={"title": axis_title(up, theme), "zeroline": True},
    )
    return layout | {"height": 400, "margin": {"l": LEFT_PX, "r": 24, "t": 24, "b": 56}}


def _stroke(
    x: Floats, y: Floats, colour: str, width: float, hover: str, *, dash: str = "solid"
) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": np.round(x, 5).tolist(),
        "y": np.round(y, 6).tolist(),
        "line": {"color": colour, "width": width, "dash": dash},
        "hovertemplate": hover + "<extra></extra>",
    }


def _dots(x: Floats, y: Floats, colour: str, hover: str, *, hollow: bool = False) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": np.round(x, 5).tolist(),
        "y": np.round(y, 6).tolist(),
        "marker": {
            "color": colour,
            "size": 9,
            "symbol": "circle-open" if hollow else "circle",
            "line": {"width": 1.6, "color": colour},
        },
        "hovertemplate": hover + "<extra></extra>",
    }


def _upright(x: float, ends: tuple[float, float], colour: str, width: float) -> dict[str, Any]:
    return {
        "type": "line", "x0": x, "x1": x, "y0": ends[0], "y1": ends[1],
        "line": {"color": colour, "width": width},
    }  # fmt: skip


def _label(x: float, y: float, text: str, theme: Theme, **places: object) -> dict[str, Any]:
    return {
        "x": x, "y": y, "text": text, "showarrow": False,
        "font": {"size": 12.5, "color": theme.ink}, **places,
    }  # fmt: skip


def _halves(torque: Floats, angle: Floats) -> list[tuple[Floats, Floats]]:
    """Return the rising and the falling part of a loop, each in order of torque."""
    rises = np.gradient(torque) >= 0.0
    parts = []
    for own in (rises, ~rises):
        order = np.argsort(torque[own])
        parts.append((torque[own][order], angle[own][order]))
    return parts


def _mid_line(torque: Floats, angle: Floats) -> tuple[Floats, Floats] | None:
    """Return the middle of a loop over torque, where it has both branches."""
    (up_x, up_y), (down_x, down_y) = _halves(torque, angle)
    if min(len(up_x), len(down_x)) < 8:
        return None
    at = np.linspace(max(up_x[0], down_x[0]), min(up_x[-1], down_x[-1]), 60)
    return at, (np.interp(at, up_x, up_y) + np.interp(at, down_x, down_y)) / 2.0


def _centre(torque: Floats, angle: Floats) -> float:
    """Return the angle between both flanks of a loop: at no torque it jumps by the play."""
    middle = _mid_line(torque, angle)
    if middle is None:
        return float(angle.mean())
    flank = 0.5 * float(np.abs(torque).max())
    return float(np.mean(np.interp((-flank, flank), *middle)))
