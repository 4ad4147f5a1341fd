"""For how long the disk lasts at the present rate, in words that stand still.

The forecast of hours moves with every second; what somebody plans by is days and weeks. Pure.
"""

import math

__all__ = ["disk_left_text"]

WEEK_H = 7 * 24.0
MONTHS_H = 91 * 24.0


def disk_left_text(hours: float) -> str:
    """Return how long the disk lasts, rounded down; a dash where it is not known."""
    if not math.isfinite(hours):
        return "–"
    if hours > MONTHS_H:
        return "more than 3 months"
    if hours >= 2 * WEEK_H:
        return f"{int(hours // WEEK_H)} weeks"
    if hours >= 48:
        return f"{int(hours // 24)} days"
    return f"{int(hours)} h" if hours >= 2 else f"{int(max(hours, 0.0) * 60)} min"
