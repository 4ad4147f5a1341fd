"""What figures share: a layout whose points are read by pointing, and colours laid thin. Pure."""

from typing import Any

from dashboard.text.theme import Theme, plotly_template

__all__ = ["axis_title", "picture_layout", "rgba_colour"]

PictureLayout = dict[str, Any]
PICTURE_HEIGHT_PX = 340


def picture_layout(
    theme: Theme, *, left_px: int, xaxis: PictureLayout, yaxis: PictureLayout
) -> PictureLayout:
    """Return the layout of a figure; `left_px`: room for the labels of its vertical axis."""
    axis = {"showgrid": True, "fixedrange": True, "zeroline": False}
    return {
        "template": plotly_template(theme, size_px=12.0),
        "height": PICTURE_HEIGHT_PX,
        "margin": {"l": left_px, "r": 12, "t": 12, "b": 52},
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": theme.paper, "font": {"color": theme.ink}},
        "xaxis": {**axis, **xaxis},
        "yaxis": {**axis, **yaxis},
    }


def axis_title(text: str, theme: Theme) -> PictureLayout:
    """Return the title of an axis."""
    return {"text": text, "font": {"color": theme.ink_2}}


def rgba_colour(colour: str, alpha: float) -> str:
    """Return a colour #RRGGBB with an opacity from 0 to 1."""
    red, green, blue = (int(colour[start : start + 2], 16) for start in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"
