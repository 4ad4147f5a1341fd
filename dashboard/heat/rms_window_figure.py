"""The highest RMS over windows of every length, and what the joint holds for as long. Pure."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from dashboard.figures.style import axis_title, picture_layout, rgba_colour
from dashboard.text.theme import Theme
from logger.arrays import Floats
from replay.duty.result import AllowedLoad, HeldAgainst, TightestWindow
from replay.duty.rms_windows import WindowRms
from replay.heat.text import duration_text

__all__ = ["rms_window_figure"]

RMS_HEIGHT_PX: Final = 360
WINDOW_TICKS_S: Final = {
    1: "1 s", 10: "10 s", 60: "1 min", 600: "10 min", 3600: "1 h", 28_800: "8 h",
}  # fmt: skip
ROUND_LOADS: Final = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
HELD_OPACITY: Final = 0.12
ABOVE_OPACITY: Final = 0.22
HIGHEST_TIMES: Final = 1.7
LOWEST_SHARE: Final = 0.6


def rms_window_figure(
    windows: Sequence[WindowRms],
    allowed: Sequence[AllowedLoad],
    *,
    rated: float | None,
    tightest: TightestWindow | None,
    unit: str,
    pen: int,
    theme: Theme,
) -> dict[str, Any]:
    """Return the figure: in the pen what was carried, in ink what is held; red where it is more.

    Parameters
    ----------
    windows
        At least one.
    rated
        In the unit of the load; None: not known.
    """
    colour = theme.pen_colour(pen)
    length_s = np.array([one.window_s for one in windows], np.float64)
    rms = np.array([one.rms for one in windows])
    shown = [*rms.tolist(), *([rated] if rated else [])]
    # What is held for short windows is far beyond what was carried: the figure ends before.
    low, high = LOWEST_SHARE * min(shown), HIGHEST_TIMES * max(shown)
    data: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    if allowed:
        held_s = np.array([one.window_s for one in allowed], np.float64)
        held = np.clip(np.array([one.load for one in allowed]), low / 10.0, high * 1.5)
        data += [
            *_above(held_s, held[:, 0], np.interp(held_s, length_s, rms), theme),
            _area(held_s, held[:, 2], held[:, 1], rgba_colour(theme.ink, HELD_OPACITY)),
            _curve(held_s, held[:, 0], theme.ink, 1.0, f"holds %{{y:.3g}} {unit}"),
        ]
        inside = np.flatnonzero(held[:, 0] < 0.9 * high)
        if len(inside):
            at = int(inside[0])
            name = _name(held_s[at], held[at, 0], "held for as long, warm", theme)
            # Written towards the side where there is room, which a phone has on the left.
            is_late = np.log(held_s[at] / length_s[0]) > 0.6 * np.log(length_s[-1] / length_s[0])
            notes.append(
                {**name, "xanchor": "right", "yanchor": "top", "xshift": -8} if is_late else name
            )
    data.append(_curve(length_s, rms, colour, 2.2, f"carried %{{y:.3g}} {unit}"))
    notes.append(_name(length_s[0], rms[0], "<b>carried</b>", theme))
    if rated:
        data.append(
            {
                **_curve(length_s[[0, -1]], np.array([rated, rated]), theme.none, 1.0, "rated"),
                "line": {"color": theme.none, "width": 1.0, "dash": "dash"},
            }
        )
        notes.append({**_name(length_s[-1], rated, "rated", theme), "xanchor": "right"})
    if tightest is not None:
        against = "what it holds" if tightest.against is HeldAgainst.MODEL else "the rated value"
        at_s, load = float(tightest.window.window_s), tightest.window.rms
        data.append(
            {
                "type": "scatter", "mode": "markers", "x": [at_s], "y": [load],
                "marker": {"color": colour, "size": 9, "line": {"color": theme.paper, "width": 1}},
                "hoverinfo": "skip",
            }
        )  # fmt: skip
        # Below what was carried, on the side where there is room.
        right = np.log(at_s) > 0.5 * float(np.log(length_s[-1]))
        notes.append(
            {
                "x": float(np.log10(at_s)), "y": float(np.log10(load)), "showarrow": False,
                "text": f"<b>{100.0 * tightest.share[0]:.0f} %</b> of {against} over "
                f"{duration_text(at_s)}",
                "xanchor": "right" if right else "left", "yanchor": "top", "yshift": -6,
                "font": {"size": 12, "color": theme.ink},
            }
        )  # fmt: skip
    loads = [digit * 10.0**decade for decade in range(-6, 7) for digit in ROUND_LOADS]
    ticks = [one for one in loads if low <= one <= high]
    return {
        "data": data,
        "layout": {
            **picture_layout(
                theme,
                left_px=56,
                xaxis={
                    "type": "log",
                    "showgrid": False,
                    "range": [0.0, float(np.log10(max(length_s[-1], 10.0)))],
                    "tickvals": list(WINDOW_TICKS_S),
                    "ticktext": list(WINDOW_TICKS_S.values()),
                    "tickangle": 0,
                    "showline": True,
                    "linecolor": theme.ink,
                    "title": axis_title("window", theme),
                },
                yaxis={
                    "type": "log",
                    "range": [float(np.log10(low)), float(np.log10(high))],
                    "tickvals": ticks,
                    "ticktext": [f"{one:g}" for one in ticks],
                    "title": axis_title(f"RMS, {unit}", theme),
                },
            ),
            "height": RMS_HEIGHT_PX,
            "margin": {"l": 56, "r": 16, "t": 14, "b": 46},
            "annotations": notes,
        },
    }


def _curve(at_s: Floats, load: Floats, colour: str, width: float, words: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": at_s.tolist(),
        "y": [float(f"{one:.4g}") for one in load.tolist()],
        "line": {"color": colour, "width": width},
        "customdata": [duration_text(one) for one in at_s.tolist()],
        "hovertemplate": f"%{{customdata}}: {words}<extra></extra>",
    }


def _area(at_s: Floats, top: Floats, bottom: Floats, fill: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [*at_s.tolist(), *at_s[::-1].tolist()],
        "y": [float(f"{one:.4g}") for one in (*top.tolist(), *bottom[::-1].tolist())],
        "fill": "toself",
        "fillcolor": fill,
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def _above(at_s: Floats, held: Floats, carried: Floats, theme: Theme) -> list[dict[str, Any]]:
    """Return the ground between what is held and what was carried, where that is more."""
    top = np.maximum(held, carried)
    if not (top > held).any():
        return []
    return [_area(at_s, top, held, rgba_colour(theme.danger, ABOVE_OPACITY))]


def _name(at_s: float, load: float, words: str, theme: Theme) -> dict[str, Any]:
    return {
        "x": float(np.log10(at_s)), "y": float(np.log10(load)), "text": words,
        "showarrow": False, "xanchor": "left", "yanchor": "bottom", "xshift": 4,
        "font": {"size": 12, "color": theme.ink},
    }  # fmt: skip
