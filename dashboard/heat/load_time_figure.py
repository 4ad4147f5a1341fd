"""For how long a joint holds a load: both axes logarithmic, bands, and what limits allow. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np

from dashboard.figures.style import axis_title, picture_layout, rgba_colour
from dashboard.text.format import format_duration
from dashboard.text.theme import Theme
from logger.arrays import Floats
from replay.heat.text import band_values

__all__ = ["BandCurve", "LimitCurve", "PeakLine", "load_time_figure"]

LETTER_PX: Final = 7
"""Of a figure's text, at most on average."""
LOAD_TIME_HEIGHT_PX: Final = 400
TIME_TICKS_S: Final = {
    10: "10 s", 30: "30 s", 60: "1 min", 180: "3 min", 600: "10 min", 1800: "30 min",
    3600: "1 h", 10800: "3 h", 28800: "8 h",
}  # fmt: skip
LOAD_DIGITS: Final = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
BAND_OPACITY: Final = 0.30
OVER_OPACITY: Final = 0.22
ROOM_SHARE: Final = 0.5
"""Of the figure's width, which a curve's name takes on a phone."""
VEIL_OPACITY: Final = 0.6
"""Of the paper over what lies beyond a peak."""
HIGHEST_SHARE: Final = 3.2
"""Of the load for ever, at which the figure ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandCurve:
    """The highest load for each of n times, with its 95 % interval."""

    words: str
    load: Floats
    """Value, low and high, shape (n, 3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitCurve:
    """What a limit allows for each of the same times; inf where any load."""

    name: str
    load: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakLine:
    """A load beyond which times by heat alone are not to be relied on."""

    words: str
    """Empty where another line of the figure has its name."""
    load: float


def load_time_figure(
    time_s: Floats,
    curves: Sequence[BandCurve],
    limits: Sequence[LimitCurve],
    allowed: Floats | None,
    peaks: Sequence[PeakLine] = (),
    *,
    for_ever: tuple[float, float, float],
    unit: str,
    torque_per_ampere: float | None = None,
    pen: int,
    theme: Theme,
    is_narrow: bool = False,
) -> dict[str, Any]:
    """Return the figure; where the limits allow more than the joint bears, it is tinted.

    Parameters
    ----------
    curves
        From cold first; the tint lies between it and `allowed`.
    allowed
        What all limits together allow; None: no limit watches the load.
    peaks
        The lowest first; what is beyond it is faint.
    torque_per_ampere
        In N.m/A: with it currents stand beside torques.
    """
    colour = theme.pen_colour(pen)
    highest = HIGHEST_SHARE * for_ever[0]
    lowest = 0.55 * min(for_ever[1], *(float(curve.load[-1, 1]) for curve in curves))
    lowest = max(lowest, 0.05 * for_ever[0])
    data: list[dict[str, Any]] = []
    if allowed is not None:
        data += _over(time_s, curves[0].load[:, 0], np.minimum(allowed, highest), theme)
    for curve in curves:
        data.append(_band(time_s, np.clip(curve.load, None, highest * 1.5), colour))
        data.append(
            _line(
                time_s,
                curve.load[:, 0],
                colour=colour,
                width=2.0,
                words=f"{escape(curve.words)}: ",
                unit=unit,
                torque_per_ampere=torque_per_ampere,
            )
        )
    for limit in limits:
        shown = np.where(np.isfinite(limit.load), limit.load, np.nan)
        data.append(
            _line(
                time_s,
                shown,
                colour=theme.ink,
                width=1.0,
                words=f"{escape(limit.name)} allows ",
                unit=unit,
                torque_per_ampere=torque_per_ampere,
            )
        )
    ticks = [
        digit * 10.0**decade
        for decade in range(-6, 7)
        for digit in LOAD_DIGITS
        if lowest <= digit * 10.0**decade <= highest
    ]
    value_text = band_values(for_ever)
    right_px = max(96, 20 + LETTER_PX * len(value_text[1]))
    amperes = f"<br>{for_ever[0] / torque_per_ampere:.3g} A" if torque_per_ampere else ""
    shown_s = list(TIME_TICKS_S)[:: 2 if is_narrow else 1]
    return {
        "data": data,
        "layout": {
            **picture_layout(
                theme,
                left_px=56,
                xaxis={
                    "type": "log",
                    "showgrid": False,
                    "range": [float(np.log10(time_s[0])), float(np.log10(time_s[-1]))],
                    "tickvals": shown_s,
                    "ticktext": [TIME_TICKS_S[tick] for tick in shown_s],
                    "tickangle": 0,
                    "showline": True,
                    "linecolor": theme.ink,
                    "title": axis_title("held for", theme),
                },
                yaxis={
                    "type": "log",
                    "range": [float(np.log10(lowest)), float(np.log10(highest))],
                    "tickvals": ticks,
                    "ticktext": [f"{tick:g}" for tick in ticks],
                    "title": axis_title(f"{'torque' if unit != 'A' else 'current'}, {unit}", theme),
                },
            ),
            "height": LOAD_TIME_HEIGHT_PX,
            "margin": {"l": 56, "r": right_px, "t": 14, "b": 46},
            "shapes": _peak_shapes(peaks, lowest, highest, theme),
            "annotations": [
                *_curve_names(time_s, curves, highest, theme),
                *_line_names(time_s, limits, peaks, (lowest, for_ever[0], highest), theme),
                {
                    "xref": "paper", "x": 1.01, "xanchor": "left", "showarrow": False,
                    "y": float(np.log10(for_ever[0])), "align": "left",
                    "text": "<b>{}</b> for ever<br>{}{}".format(*value_text, amperes),
                    "font": {"size": 12, "color": theme.ink},
                },
            ],
        },
    }  # fmt: skip


def _line(
    time_s: Floats,
    load: Floats,
    *,
    colour: str,
    width: float,
    words: str,
    unit: str,
    torque_per_ampere: float | None,
) -> dict[str, Any]:
    pointed = [f"for {format_duration(float(one))}" for one in time_s]
    if torque_per_ampere:
        pointed = [
            f"{current:.3g} A {text}"
            for current, text in zip(load / torque_per_ampere, pointed, strict=True)
        ]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _short(time_s),
        "y": _short(load),
        "line": {"color": colour, "width": width},
        "hovertemplate": f"{words}%{{y:.3g}} {unit}, %{{customdata}}<extra></extra>"
        if torque_per_ampere
        else f"{words}%{{y:.3g}} {unit} %{{customdata}}<extra></extra>",
        "customdata": pointed,
    }


def _band(time_s: Floats, load: Floats, colour: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _short(np.concatenate([time_s, time_s[::-1]])),
        "y": _short(np.concatenate([load[:, 2], load[::-1, 1]])),
        "fill": "toself",
        "fillcolor": rgba_colour(colour, BAND_OPACITY),
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def _over(time_s: Floats, borne: Floats, allowed: Floats, theme: Theme) -> list[dict[str, Any]]:
    """Return the ground between what is borne and what is allowed, where that is more."""
    top = np.maximum(borne, allowed)
    if not (top > borne).any():
        return []
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": _short(np.concatenate([time_s, time_s[::-1]])),
            "y": _short(np.concatenate([top, borne[::-1]])),
            "fill": "toself",
            "fillcolor": rgba_colour(theme.danger, OVER_OPACITY),
            "line": {"width": 0},
            "hoverinfo": "skip",
        }
    ]


def _curve_names(
    time_s: Floats, curves: Sequence[BandCurve], highest: float, theme: Theme
) -> list[dict[str, Any]]:
    """Return the name of each curve, beside it where it enters the figure."""
    out = []
    sides = (("left", 8), ("right", -8))
    for curve, share, (side, by_px) in zip(curves, (0.82, 0.62), sides, strict=False):
        inside = np.flatnonzero(curve.load[:, 0] <= share * highest)
        at = int(inside[0]) if len(inside) else len(time_s) // 2
        # Near the left edge there is no room before the curve: its name is begun on it.
        has_room = np.log(time_s[at] / time_s[0]) > ROOM_SHARE * np.log(time_s[-1] / time_s[0])
        anchor, shift = (side, by_px) if has_room else ("left", abs(by_px))
        # A curve falls: there is room above it on its right, and below it on its left.
        out.append(
            {
                "x": float(np.log10(time_s[at])), "y": float(np.log10(curve.load[at, 0])),
                "text": f"<b>{escape(curve.words)}</b>", "showarrow": False,
                "xanchor": anchor, "yanchor": "top" if anchor == "right" else "bottom",
                "xshift": shift, "font": {"size": 12, "color": theme.ink},
            }
        )  # fmt: skip
    return out


def _peak_shapes(
    peaks: Sequence[PeakLine], lowest: float, highest: float, theme: Theme
) -> list[dict[str, Any]]:
    """Return paper over what lies beyond the lowest peak, and a dashed line at each."""
    if not peaks or peaks[0].load >= highest:
        return []
    across = {"xref": "paper", "x0": 0, "x1": 1}
    veil = {
        "type": "rect",
        **across,
        "y0": max(peaks[0].load, lowest),
        "y1": highest,
        "fillcolor": rgba_colour(theme.none_tint, VEIL_OPACITY),
        "line": {"width": 0},
        "layer": "above",
    }
    dashed = {"color": theme.none, "width": 1, "dash": "dash"}
    lines = [
        {"type": "line", **across, "y0": one.load, "y1": one.load, "line": dashed}
        for one in peaks
        if one.words and lowest < one.load < highest
    ]
    return [veil, *lines]


def _line_names(
    time_s: Floats,
    limits: Sequence[LimitCurve],
    peaks: Sequence[PeakLine],
    ends: tuple[float, float, float],
    theme: Theme,
) -> list[dict[str, Any]]:
    """Return the name of each limit and peak at the right end of its line, lines that meet apart.

    `ends`: the lowest load of the figure, the one for ever, and the highest.
    """
    lines = [(float(one.load[-1]), one.name) for one in limits]
    lines += [(one.load, one.words) for one in peaks if one.words]
    out: list[dict[str, Any]] = []
    for load, words in sorted(lines, reverse=True):
        if not ends[0] < load < ends[2]:
            continue
        y = float(np.log10(load))
        y = min(y, out[-1]["y"] - 0.035) if out else y
        # The curves end at what is borne for ever: a line below that has its name below it.
        side = "top" if load < ends[1] else "bottom"
        out.append(
            {
                "x": float(np.log10(time_s[-1])), "y": y, "text": escape(words),
                "showarrow": False, "xanchor": "right", "yanchor": side,
                "font": {"size": 12, "color": theme.ink_2},
            }
        )  # fmt: skip
    return out


def _short(values: Floats) -> list[float | None]:
    return [float(f"{one:.4g}") if np.isfinite(one) else None for one in values.tolist()]
