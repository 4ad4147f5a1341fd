"""The units of angles and speeds that a reader chose: degrees or radians; °/s, rpm or rad/s.

Values are stored in SI units; displayed = stored * factor. All other quantities are displayed as
`logger.joint.channels` has them. A page sends its units with each request, since they are the
choice of the reader and not of the server. Pure.
"""

import math
from collections.abc import Mapping
from typing import Final

from logger.joint.quantities import DISPLAYS, Display

__all__ = [
    "ANGLE_DISPLAYS",
    "DEFAULT_DISPLAYS",
    "SPEED_DISPLAYS",
    "Displays",
    "display_factor",
    "select_displays",
]

Displays = Mapping[str, Display]
"""Quantity -> how it is displayed."""

ANGLE_DISPLAYS: Final = {
    "deg": DISPLAYS["position"],
    "rad": Display(unit="rad", factor=1.0, decimals=2),
}
SPEED_DISPLAYS: Final = {
    "deg_s": DISPLAYS["speed"],
    "rpm": Display(unit="rpm", factor=60.0 / (2.0 * math.pi), decimals=1),
    "rad_s": Display(unit="rad/s", factor=1.0, decimals=2),
}
DEFAULT_DISPLAYS: Final[Displays] = DISPLAYS


def select_displays(position: str, speed: str) -> Displays:
    """Return how quantities are shown in these units; an unknown unit is ignored."""
    return {
        **DISPLAYS,
        "position": ANGLE_DISPLAYS.get(position, DISPLAYS["position"]),
        "speed": SPEED_DISPLAYS.get(speed, DISPLAYS["speed"]),
    }


def display_factor(quantity: str, factor: float) -> float:
    """Return the factor from the plain unit's number to the shown one's: 0.0175 for rad."""
    plain = DISPLAYS.get(quantity)
    return 1.0 if plain is None else factor / plain.factor
