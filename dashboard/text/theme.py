"""The themes: colours by meaning, pens by joint.

Two themes, light and dark, have the same tokens; `assets/base.css` has them, too, and a test checks
that both are equal and meet the contrasts of WCAG 2.2. State colours mean a state, pens a joint,
and neither is used for anything else. Pure.
"""

from dataclasses import dataclass
from typing import Any, Final

from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.joint.channels import channel_named, is_channel
from logger.joint.quantities import Display

__all__ = [
    "DARK",
    "LIGHT",
    "NUMBER_FONT",
    "STATE_BY_SEVERITY",
    "THEMES",
    "Theme",
    "channel_label",
    "contrast_ratio",
    "display_of",
    "plotly_template",
]

TEXT_FONT: Final = (
    '"Iowan Old Style", Charter, "Source Serif 4", Cambria, "Noto Serif", "Liberation Serif", serif'
)
NUMBER_FONT: Final = (
    '-apple-system, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", Arial, sans-serif'
)

STATE_BY_SEVERITY: Final = {"warning": "abnormal", "trip": "danger", "": "none"}
"""Severity of a limit -> the state with whose shape and colour it is drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Theme:
    """Every colour of one theme, as #RRGGBB."""

    name: str
    paper: str
    paper_2: str
    ink: str
    ink_2: str
    line: str
    hair: str
    pens: tuple[str, str, str, str]
    danger: str
    danger_on: str
    danger_tint: str
    abnormal: str
    abnormal_edge: str
    abnormal_on: str
    abnormal_tint: str
    normal: str
    asked: str
    asked_on: str
    none: str
    none_tint: str

    def pen_colour(self, number: int) -> str:
        """Return the colour of the pen with that number, 1 to 4; 0, no pen: that of plain lines."""
        return self.pens[number - 1] if number else self.line

    def state_colours(self, mark: str) -> tuple[str, str, str]:
        """Return fill, edge and tint of a state: "abnormal", "danger", "normal" or "none"."""
        if mark == "danger":
            return self.danger, self.danger, self.danger_tint
        if mark == "abnormal":
            return self.abnormal, self.abnormal_edge, self.abnormal_tint
        if mark == "normal":
            return self.normal, self.normal, self.paper
        return self.none, self.none, self.none_tint


LIGHT: Final = Theme(
    name="light",
    paper="#FBFBF9",
    paper_2="#F1F2EF",
    ink="#16222C",
    ink_2="#4C5A65",
    line="#7A858C",
    hair="#D5DADC",
    pens=("#0072B2", "#D55E00", "#A6568A", "#009E73"),
    danger="#B3001F",
    danger_on="#FFFFFF",
    danger_tint="#FADFE0",
    abnormal="#FFCB05",
    abnormal_edge="#6B5000",
    abnormal_on="#16222C",
    abnormal_tint="#FFF2B8",
    normal="#1D7A3E",
    asked="#2340C0",
    asked_on="#FFFFFF",
    none="#5F6B73",
    none_tint="#E9EBEA",
)

DARK: Final = Theme(
    name="dark",
    paper="#222B2F",
    paper_2="#29343A",
    ink="#ECEAE2",
    ink_2="#B4BDBD",
    line="#7F8C90",
    hair="#3C484D",
    pens=("#56B4E9", "#E8743B", "#CC79A7", "#009E73"),
    danger="#FF4F6D",
    danger_on="#182024",
    danger_tint="#662A33",
    abnormal="#FFD53D",
    abnormal_edge="#FFD53D",
    abnormal_on="#182024",
    abnormal_tint="#3F3A26",
    normal="#6ACB86",
    asked="#9DB4FF",
    asked_on="#182024",
    none="#9BA6A9",
    none_tint="#303B40",
)

THEMES: Final = {theme.name: theme for theme in (LIGHT, DARK)}


def _luminance(colour: str) -> float:
    """Return the relative luminance of #RRGGBB after WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[start : start + 2], 16) / 255.0 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast_ratio(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21, after WCAG 2.2 (contrast ratio)."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def plotly_template(theme: Theme, *, size_px: float = 12.0) -> dict[str, Any]:
    """Return the plotly template of a theme, which all figures share."""
    axis = {
        "showline": False,
        "ticks": "",
        "gridcolor": theme.hair,
        "gridwidth": 1,
        "zeroline": False,
        "zerolinecolor": theme.line,
        "zerolinewidth": 1,
        "fixedrange": True,
        "tickfont": {"color": theme.ink_2, "size": size_px},
        "automargin": False,
    }
    return {
        "layout": {
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": NUMBER_FONT, "color": theme.ink, "size": size_px},
            "showlegend": False,
            "hovermode": False,
            "dragmode": False,
            "xaxis": {**axis, "showgrid": False},
            "yaxis": axis,
            "colorway": list(theme.pens),
        }
    }


def display_of(channel: str, displays: Displays = DEFAULT_DISPLAYS) -> Display:
    """Return how a channel is displayed; an undeclared one in its stored unit."""
    if not is_channel(channel):
        return Display(unit="", factor=1.0, decimals=2)
    return displays[channel_named(channel).quantity]


def channel_label(channel: str) -> str:
    """Return the name of a channel on the pages: "housing", "torque"."""
    return channel_named(channel).label if is_channel(channel) else channel
