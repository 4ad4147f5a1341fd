"""The small traces of lists, all on one scale in time and in value, as SVG paths.

Used as a CSS mask, so that the pen's colour follows the theme without a second drawing. Pure.
"""

from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

__all__ = ["css_mask", "svg_path"]


def svg_path(x: NDArray[np.float64], y: NDArray[np.float64], *, width: float, height: float) -> str:
    """Return the SVG path of a polyline; x and y are shares (0 to 1) of the box, y upwards.

    A NaN lifts the pen.
    """
    commands: list[str] = []
    pen_down = False
    for across, up in zip(x.tolist(), y.tolist(), strict=True):
        if across != across or up != up:  # noqa: PLR0124 - NaN is the one value unlike itself
            pen_down = False
            continue
        clipped = min(max(up, 0.0), 1.0)
        across_px, down_px = across * width, height - 1 - clipped * (height - 2)
        commands.append(f"{'L' if pen_down else 'M'}{across_px:.1f} {down_px:.1f}")
        pen_down = True
    return "".join(commands)


def css_mask(path: str, *, width: int, height: int, pen_px: float = 1.3) -> str:
    """Return a CSS url(...) that masks a box to the stroke of a path."""
    svg = (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width} {height}' "
        f"preserveAspectRatio='none'><path d='{path}' fill='none' stroke='#000' "
        f"stroke-width='{pen_px}' stroke-linejoin='round' "
        "vector-effect='non-scaling-stroke'/></svg>"
    )
    return f'url("data:image/svg+xml,{quote(svg)}")'
