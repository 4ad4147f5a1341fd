"""When a reading is at a level: one rule for every comparison of a limit. Pure.

A reading at a level counts as beyond it: `above = 110` is raised at 110, and so is `below = 110`; a
drop-off at 67 clears at 67. Where both are at one number, raising comes first: it clears only
beyond.

What a joint reports is a count, and the level is a number that somebody wrote. Their products are
rounded: 423 counts of 0.1 come out above 42.3, and 3 counts of 0.3 below 0.9. So a reading is not
compared with the level, but with the middle between the last count on the far side of the level and
the first at it or beyond:

        count   42.2        42.3        42.4
         -------+-----.-----+-----------+------    `above = 42.3`: at or above the dot
                      ^ half a count below the level

which is exact however counts were rounded, costs one comparison, and is the same for a level that
lies between two counts. A level that is a millionth of a count off one is taken as at it: shares of
rated values are products as well.

Where no count is known (a sensor's values from a file, a resistance, a float of 64 bits, what is
computed from two readings) a reading counts as at a level from a billionth of it away, and of 1 in
the channel's unit at least: far more than rounding makes, far less than anything measures.

What a limit computes over time (a thermal image, an amplitude, a smoothed load) is no count, comes
near its level without being meant to be at it, and is compared as it is.
"""

import math
from functools import lru_cache
from typing import Final

import numpy as np

from logger.joint.bench.counts import CountGrid

__all__ = ["CountGrids", "at_least", "at_most", "difference_grids", "level_pair", "magnitude_grids"]

CountGrids = tuple[CountGrid, ...]

_NO_COUNT: Final = 1e-9
"""How near to a level is at it where no count is known: of the level, and of 1 at least."""
_OFF_COUNT: Final = 1e-6
"""How far from a count a level may be and is at it, in counts."""
_MOST_COUNTS: Final = 1e9
"""Beyond so many counts the number of a count is not known to `_OFF_COUNT`."""
_FLOATS: Final[dict[int, type[np.floating]]] = {16: np.float16, 32: np.float32}


@lru_cache(maxsize=4096)
def at_least(level: float, grids: CountGrids = ()) -> float:
    """Return the number from which on a reading counts as at or above a level.

    `grids`: the values that the reading can have; none: not known.
    """
    neighbours = [_neighbours(level, grid) for grid in grids]
    known = [pair for pair in neighbours if pair is not None]
    if not known or len(known) < len(neighbours):
        return level - _NO_COUNT * max(abs(level), 1.0)
    below, at = max(pair[0] for pair in known), min(pair[1] for pair in known)
    return below + (at - below) / 2


def at_most(level: float, grids: CountGrids = ()) -> float:
    """Return the number up to which a reading counts as at or below a level."""
    return -at_least(-level, tuple(grid.mirrored for grid in grids))


def level_pair(pick_up: float, drop_off: float, grids: CountGrids = ()) -> tuple[float, float]:
    """Return the numbers that a score is compared with: on from the first, off up to the second.

    `drop_off` is at most `pick_up`; a score at both is on.
    """
    on = at_least(pick_up, grids)
    return on, min(at_most(drop_off, grids), on)


def magnitude_grids(grids: CountGrids) -> CountGrids:
    """Return the values that magnitudes of such readings can have."""
    return tuple(dict.fromkeys((*grids, *(grid.mirrored for grid in grids))))


def difference_grids(minuend: CountGrids, subtrahend: CountGrids) -> CountGrids:
    """Return the values that differences of such readings can have; none where they are dense."""
    if len(minuend) != 1 or len(subtrahend) != 1:
        return ()
    first, second = minuend[0], subtrahend[0]
    ratio = max(first.step, second.step) / min(first.step, second.step)
    if first.float_bits or second.float_bits or abs(ratio - round(ratio)) > _OFF_COUNT:
        return ()
    return (CountGrid(min(first.step, second.step), first.offset - second.offset),)


def _neighbours(level: float, grid: CountGrid) -> tuple[float, float] | None:
    """Return the last value below a level and the first at or above it; None: too fine to tell."""
    counts = (level - grid.offset) / grid.step
    if not math.isfinite(counts):
        return None
    if grid.float_bits:
        return _neighbouring_floats(counts, grid)
    if abs(counts) > _MOST_COUNTS:
        return None
    first = math.ceil(counts - _OFF_COUNT)
    return grid.offset + (first - 1) * grid.step, grid.offset + first * grid.step


def _neighbouring_floats(counts: float, grid: CountGrid) -> tuple[float, float] | None:
    """Do the same of numbers of few bits: that nearest to the level is at it."""
    kind = _FLOATS[grid.float_bits]
    with np.errstate(over="ignore"):
        nearest = kind(counts)
        below = np.nextafter(nearest, kind(-np.inf))
    if not (np.isfinite(nearest) and np.isfinite(below)):
        return None
    return grid.offset + float(below) * grid.step, grid.offset + float(nearest) * grid.step
