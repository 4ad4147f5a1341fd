"""Where a bar hangs, in per cent of a value. Pure."""

from typing import Final

__all__ = ["percent_of"]

_MOST_PERCENT: Final = 1000.0


def percent_of(difference: float, of: float) -> float:
    """Return a difference in per cent of a value, at most 1000 either way."""
    return min(max(100.0 * difference / abs(of), -_MOST_PERCENT), _MOST_PERCENT)
