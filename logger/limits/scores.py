"""The scores of a limit, its state and its memory between two batches. Pure data."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CalmBounds", "LimitMemory", "LimitState", "Scores"]

CalmBounds = Mapping[str, tuple[float, float]]
"""Channel -> between which two values its readings change nothing, both left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitState:
    """The state of a limit; each way of raising alerts adds its own fields."""

    active: bool = False
    """Whether its condition is present."""


@dataclass(frozen=True, slots=True)
class LimitMemory:
    """What scores depend on besides the reading itself; each kind has its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """What a limit makes of n readings; every array has length n.

    A reading by which it cannot be judged has no score.
    """

    time_ns: NDArray[np.int64]
    batch_rows: NDArray[np.intp] | None
    """The row of the batch that each belongs to; None: they are all rows."""
    score: NDArray[np.float64]
    """On at or above `pick_up`, off at or below `drop_off` where it is not on."""
    reported: NDArray[np.float64]
    """The reported value of each score: of it are value and peak of a change."""
    pick_up: float
    drop_off: float
    hold_ns: int
    """Two readings further apart than this have a gap between them (`gaps`: some are bridged)."""
