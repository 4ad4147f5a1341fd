"""What the pictures beside the traces have in common: sweeps and loads, read by pointing. Pure."""

from typing import Any

from dashboard.text.theme import Theme, template

__all__ = ["axis_title", "picture_layout"]

Figure = dict[str, Any]
HIGH_PX = 340


def picture_layout(theme: Theme, *, left_px: int, xaxis: Figure, yaxis: Figure) -> Figure:
    """Return the layout of one picture; `left_px`: room for the words of its upright axis."""
    axis = {"showgrid": True, "fixedrange": True, "zeroline": False}
    return {
        "template": template(theme, size_px=12.0),
        "height": HIGH_PX,
        "margin": {"l": left_px, "r": 12, "t": 12, "b": 52},
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": theme.paper, "font": {"color": theme.ink}},
        "xaxis": {**axis, **xaxis},
        "yaxis": {**axis, **yaxis},
    }


def axis_title(words: str, theme: Theme) -> Figure:
    """Return what stands along an axis."""
    return {"text": words, "font": {"color": theme.ink_2}}
