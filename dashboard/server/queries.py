"""The parameters that pages put into addresses, as pydantic models.

Numbers out of range are clipped here; routes get sheets, themes and zones.
"""

import math
from datetime import tzinfo

from pydantic import BaseModel

from dashboard.figures.row_choice import RowChoice, row_choice
from dashboard.figures.sheet import Sheet, make_sheet
from dashboard.text.theme import LIGHT, THEMES, Theme
from dashboard.text.units import Displays, select_displays
from dashboard.text.zone import reader_zone

__all__ = ["FigureQuery", "RowsQuery", "UnitsQuery", "ZoneQuery", "finite_or"]

WIDTH_PX = 900.0
HEIGHT_PX = 440.0


class ZoneQuery(BaseModel):
    """The reader's time zone."""

    zone: str = ""
    """Its IANA name."""

    @property
    def time_zone(self) -> tzinfo:
        """The zone; UTC if there is none of that name."""
        return reader_zone(self.zone)


class UnitsQuery(BaseModel):
    """The reader's units of angles and speeds."""

    position: str = ""
    speed: str = ""

    @property
    def displays(self) -> Displays:
        """How each quantity is shown."""
        return select_displays(self.position, self.speed)


class RowsQuery(BaseModel):
    """The rows that the reader chose."""

    rows: str = ""
    """Quantities and channels, separated by commas; empty: the usual rows."""

    @property
    def row_choice(self) -> RowChoice:
        """The choice; what no recording can have is left out."""
        return row_choice(self.rows)


class FigureQuery(BaseModel):
    """Size and theme of a figure."""

    width: float = WIDTH_PX
    height: float = HEIGHT_PX
    form: str = "normal"
    theme: str = "light"

    @property
    def sheet(self) -> Sheet:
        """The sheet of that size."""
        return make_sheet(
            self.form, finite_or(self.width, WIDTH_PX), finite_or(self.height, HEIGHT_PX)
        )

    @property
    def colours(self) -> Theme:
        """The theme of that name; light where there is none."""
        return THEMES.get(self.theme, LIGHT)


def finite_or(value: float, otherwise: float) -> float:
    """Return a number, or `otherwise` in place of NaN and infinities."""
    return value if math.isfinite(value) else otherwise
