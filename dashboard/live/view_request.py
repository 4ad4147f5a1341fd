"""What a page of Live says that it displays: window, size, theme, units, rows, joints."""

import sys
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Final

from dashboard.figures.pens import MAX_PENS
from dashboard.figures.row_choice import USUAL_ROWS, RowChoice, row_choice
from dashboard.figures.sheet import Sheet, make_sheet
from dashboard.text.theme import LIGHT, THEMES, Theme
from dashboard.text.units import DEFAULT_DISPLAYS, Displays, select_displays
from dashboard.text.zone import reader_zone

__all__ = ["ViewRequest", "view_request"]

WINDOW_S: Final = 300.0
LONGEST_WINDOW_S: Final = 7 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewRequest:
    """What a page displays: its window in seconds (0: the whole test), size, theme and units."""

    window_s: float
    sheet: Sheet
    theme: Theme
    zone: tzinfo
    displays: Displays = field(default_factory=lambda: DEFAULT_DISPLAYS)
    choice: RowChoice = USUAL_ROWS
    """The rows that the reader chose."""
    joints: tuple[str, ...] | None = None
    """A joint for each pen, as the reader chose them; None: the most urgent."""


def view_request(message: dict[str, Any]) -> ViewRequest:
    """Return the view that a message of a page requests; values out of range are clipped."""

    def number(key: str, otherwise: float) -> float:
        value = message.get(key)
        plain = isinstance(value, int | float) and abs(value) <= sys.float_info.max
        return float(value) if plain and value is not None else otherwise

    window_s = number("window_s", WINDOW_S)
    joints = message.get("joints")
    return ViewRequest(
        window_s=0.0 if window_s <= 0 else min(max(window_s, 1.0), LONGEST_WINDOW_S),
        sheet=make_sheet(str(message.get("form")), number("width", 1200), number("height", 440)),
        theme=THEMES.get(str(message.get("theme")), LIGHT),
        zone=reader_zone(str(message.get("zone") or "")),
        displays=select_displays(str(message.get("position")), str(message.get("speed"))),
        choice=row_choice(str(message.get("rows") or "")),
        joints=tuple(map(str, joints[:MAX_PENS])) if isinstance(joints, list) else None,
    )
