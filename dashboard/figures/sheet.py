"""The size of a figure on the page, and the position of its rows in it.

Three forms: narrow (a phone), normal (a desk) and wide (across the room). All lengths in CSS
pixels. Pure.
"""

import math
from collections.abc import Sequence
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
FLAG_HEIGHT: Final = 2.4
"""Height of a flag with its words, in sizes of text; `assets/flags.mjs` too."""
ROW_HEIGHT: Final = 9.0
"""Height that the sheet grows by for each row beyond the usual ones, in sizes of text."""
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

    def with_room_for_rows(self, rows: Sequence[int]) -> "Sheet":
        """Return the sheet, made taller for rows beyond the usual four, and for all flags.

        Without a row of traces it is as tall as its flags.

        `rows`: how many flags are in each row, 0 for a row of traces.
        """
        flags_height = sum(self._flags_height(flags) + self.gap for flags in rows if flags)
        if rows and 0 not in rows:
            # Flags alone are as tall as they are.
            return replace(self, height=self.top + self.bottom + flags_height - self.gap)
        more = max(0, rows.count(0) - max(_ROW_SHARES)) * (round(ROW_HEIGHT * self.text) + self.gap)
        return replace(self, height=self.height + more + flags_height)

    def _flags_height(self, flags: int) -> int:
        return round(flags * FLAG_HEIGHT * self.text)

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

    def row_domains(self, rows: Sequence[int]) -> tuple[tuple[float, float], ...]:
        """Return for each row, from the top, its (lower, upper) share of the plot height.

        `rows`: how many flags are in each row, 0 for a row of traces.
        """
        traced = rows.count(0)
        shares = iter(_ROW_SHARES.get(traced) or (1.0 / max(traced, 1),) * traced)
        usable = self.plot_height - self.gap * (len(rows) - 1) - sum(map(self._flags_height, rows))
        domains = []
        upper = float(self.plot_height)
        for flags in rows:
            lower = upper - (self._flags_height(flags) if flags else next(shares) * max(usable, 1))
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
