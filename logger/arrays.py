"""The array types that all rooms use, and the conversion of times.

Instants and durations are whole nanoseconds (int64) wherever they are compared or stored; seconds
as a float only where they are computed with or shown. Pure.
"""

from typing import Final, overload

import numpy as np
from numpy.typing import NDArray

__all__ = ["TIME_MAX_NS", "TIME_MIN_NS", "Floats", "Ints", "stamps_to_ns", "to_ns", "to_s"]

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


def stamps_to_ns(stamps: Floats, unit_ns: int = 1_000_000_000) -> Ints:
    """Return instants that were handed on as floats, in whole nanoseconds.

    Parameters
    ----------
    stamps
        float64, shape (n,): finite instants, none of them beyond `TIME_MAX_NS`.
    unit_ns
        What they count, in ns: 10**9 for seconds.

    Returns
    -------
    int64, shape (n,)
        The shortest decimal number that each float stands for, of up to nine digits behind the
        point of a second. A float of seconds since 1970 is 0.24 us from the next: multiplied by
        1e9 it would be off by up to 0.12 us, while a stamp of whole microseconds is found exactly.
    """
    whole = np.floor(stamps)
    part = stamps - whole  # exact
    half_step = np.spacing(np.abs(stamps)) / 2
    part_ns = np.rint(part * unit_ns)
    is_open = np.ones(len(stamps), bool)
    for digit_ns in (1000, 100, 10):
        steps = unit_ns // digit_ns
        if steps == 0:
            continue
        nearest = np.rint(part * steps)
        is_found = is_open & (np.abs(nearest / steps - part) <= half_step)
        part_ns[is_found] = nearest[is_found] * digit_ns
        is_open &= ~is_found
        if not is_open.any():
            break
    return whole.astype(np.int64) * unit_ns + part_ns.astype(np.int64)
