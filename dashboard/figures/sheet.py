"""The size of a figure on the page, and the position of its rows in it.

Three forms: narrow (a phone), normal (a desk) and wide (across the room). All lengths in CSS
pixels. Pure.
"""

import math
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final, Literal, cast

from dashboard.text.zone import zone_name

__all__ = ["Sheet", "SheetForm", "make_sheet"]

SheetForm = Literal["narrow", "normal", "wide"]

_ROW_SHARES: Final = {
    1: (1.0,),
    2: (0.53, 0.47),
    3: (0.42, 0.38, 0.20),
    4: (0.36, 0.32, 0.16, 0.16),
}
MIN_SHEET_WIDTH: Final = 240
LABEL_LINE_HEIGHT: Final = 1.56
"""From one label of the right margin to the next, in sizes of text; `assets/margin.mjs` too."""
MAX_SHEET_WIDTH: Final = 8000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Size and margins of a figure of rows."""

    form: SheetForm
    width: int
    height: int
    left: int
    right: int
    top: int
    bottom: int
    gap: int
    """Between two rows."""
    text: float
    """Size of small text."""
    title: float
    pen: float
    """Width of a trace."""

    @property
    def plot_width(self) -> int:
        """Return the width of the plot itself, at least one pixel."""
        return max(1, self.width - self.left - self.right)

    @property
    def plot_height(self) -> int:
        """Return the height of all rows with their gaps."""
        return max(1, self.height - self.top - self.bottom)

    def with_room_for_labels(self, labels: int) -> "Sheet":
        """Return the sheet, made taller if so many labels do not fit into its margin."""
        missing = math.ceil(labels * LABEL_LINE_HEIGHT * self.text) - self.plot_height
        return self if missing <= 0 else replace(self, height=self.height + missing)

    def plotly_size(self) -> dict[str, Any]:
        """Return size and margins of a figure as plotly's layout has them."""
        return {
            "width": self.width,
            "height": self.height,
            "margin": {
                "l": self.left,
                "r": self.right,
                "t": self.top,
                "b": self.bottom,
                "pad": 0,
            },
        }

    def page_meta(self, *, epoch_ms: float, zone: tzinfo) -> dict[str, Any]:
        """Return what the browser's code needs of the sheet and its clock, for `layout.meta`."""
        return {
            "form": self.form,
            "epoch_ms": epoch_ms,
            "zone": zone_name(zone),
            "size": [self.width, self.height],
            "margin": [self.left, self.right, self.top, self.bottom],
            "text": self.text,
            "title": self.title,
        }

    def row_domains(self, rows: int) -> tuple[tuple[float, float], ...]:
        """Return for each row, from the top, its (lower, upper) share of the plot height."""
        shares = _ROW_SHARES.get(rows) or (1.0 / rows,) * rows
        usable = self.plot_height - self.gap * (rows - 1)
        domains = []
        upper = float(self.plot_height)
        for share in shares:
            lower = upper - share * usable
            domains.append((max(0.0, lower / self.plot_height), upper / self.plot_height))
            upper = lower - self.gap
        return tuple(domains)


def make_sheet(form: str, width_px: float, height_px: float) -> Sheet:
    """Return the sheet for a form and the size available in px, clipped to a sensible range."""
    known_form = cast("SheetForm", form) if form in {"narrow", "normal", "wide"} else "normal"
    width = round(min(max(width_px, MIN_SHEET_WIDTH), MAX_SHEET_WIDTH))
    height = round(min(max(height_px, 300), 3000))
    if known_form == "narrow":
        return Sheet(
            form=known_form, width=width, height=height,
            left=34, right=58, top=82, bottom=42, gap=26, text=11.0, title=13.0, pen=1.4,
        )  # fmt: skip
    if known_form == "wide":
        return Sheet(
            form=known_form, width=width, height=height,
            left=150, right=226, top=62, bottom=52, gap=24, text=16.0, title=20.0, pen=2.2,
        )  # fmt: skip
    return Sheet(
        form=known_form, width=width, height=height, left=112, right=158, top=46, bottom=40, gap=18,
        text=11.5, title=13.5, pen=1.6,
    )  # fmt: skip
