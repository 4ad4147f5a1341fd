"""The array types that all rooms use, and the conversion of times.

Instants and durations are whole nanoseconds (int64) wherever they are compared or stored; seconds
as a float only where they are computed with or shown. Pure.
"""

from typing import Final, overload

import numpy as np
from numpy.typing import NDArray

__all__ = ["TIME_MAX_NS", "TIME_MIN_NS", "Floats", "Ints", "to_ns", "to_s"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TIME_MAX_NS: Final = 2**62
"""Later than any instant of a recording; a duration can be added to it without int64 overflow."""
TIME_MIN_NS: Final = -(2**62)
"""Earlier than any instant of a recording."""


@overload
def to_s(duration_ns: float) -> float: ...
@overload
def to_s(duration_ns: Ints) -> Floats: ...
def to_s(duration_ns: float | Ints) -> object:
    """Return nanoseconds as seconds."""
    return duration_ns * 1e-9


def to_ns(duration_s: float) -> int:
    """Return seconds as the nearest whole nanoseconds."""
    return round(duration_s * 1e9)
