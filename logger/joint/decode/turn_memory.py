"""What is remembered of a joint, by which lost turns of its encoder are found again. Pure data.

`found_turns` says how. All of it follows from readings of the last minutes, so that a recorder that
resumes reads it back from the rows.
"""

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MIN_NS, Floats, Ints
from logger.event_kind import PositionAnchor
from logger.joint.decode.unwrap import UnwrapState

__all__ = [
    "EVIDENCE_NS",
    "REST_NS",
    "CountRows",
    "FindPlan",
    "FoundSegment",
    "HeldCounts",
    "LostTurns",
    "Rest",
    "Setpoints",
    "TurnMemory",
]

REST_NS: Final = 250_000_000
"""For so long a joint has to stand still to be at rest."""
EVIDENCE_NS: Final = 600_000_000_000
"""How old a rest may be that is evidence: so much is read again where a recording is resumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindPlan:
    """What is fixed for one joint."""

    modulus: int
    """Counts of one turn of the encoder."""
    hold_ns: int
    """How long a set-point holds."""
    within_ns: int
    """The longest silence in which the joint cannot have been switched off and on."""
    rad_per_count: float
    """One count at the output."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoints:
    """m set-points of a position that were read, in order of time; every array has length m."""

    row: NDArray[np.intp]
    """Which of the joint's rows carries it."""
    time_ns: Ints
    counts: Floats
    """In counts of the encoder."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountRows:
    """n readings of an encoder, unwrapped; every array has length n."""

    row: NDArray[np.intp]
    """Which of the joint's rows carries it."""
    time_ns: Ints
    total: Ints
    segment: NDArray[np.int32]
    speed_counts_s: Floats
    """NaN where it is not known."""
    broken: NDArray[np.bool_] | None
    """Before these the joint was switched on again; None: never."""


class HeldCounts(NamedTuple):
    """n counts of one batch that the memory has still to look at; no turns were lost in them.

    A tuple, as one is made of every batch. What follows from them is the same whenever they are
    looked at, and for many of them costs little more than for a few.
    """

    before_ns: int
    """Time of the count before them."""
    row: NDArray[np.intp]
    """Shape (n,): which row of the batch each is, as `first_row`."""
    time_ns: Ints
    total: Ints
    speed_counts_s: Floats
    first_row: int
    """The first of the joint's r rows in the batch, one after the other."""
    row_time_ns: Ints
    """Shape (r,): the times of its rows, and the set-points that they carry, NaN for none."""
    setpoint_rad: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSegment:
    """A segment that continues the one before the turns were lost."""

    time_ns: int
    segment: int
    anchor: PositionAnchor


class Rest(NamedTuple):
    """A time for which a joint stood still at one set-point; a tuple, as `TurnMemory`."""

    setpoint: float
    """In counts, as all of it."""
    distance: float
    """Counts from the set-point to where it stood."""
    since_ns: int
    last_ns: int
    setpoint_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LostTurns:
    """What was known when the turns were lost."""

    since_ns: int
    """The first reading after the newest loss."""
    distance: float
    """From the set-points that it followed; NaN: it was not shown to follow them."""
    setpoint: float
    """At which it stood; NaN: it moved, or has moved since."""
    total: int
    rests: tuple[Rest, ...]
    """Before the loss."""


class TurnMemory(NamedTuple):
    """What is remembered of a joint between two batches of readings.

    A tuple, as one is made of every batch.
    """

    sample_ns: int = TIME_MIN_NS
    """The newest reading of the encoder that was looked at."""
    sample_total: int = 0
    sample_setpoint: float = math.nan
    """The newest set-point at that reading, in counts."""
    setpoint: float = math.nan
    """The newest set-point, which may have come since."""
    setpoint_ns: int = TIME_MIN_NS
    newest_ns: int = TIME_MIN_NS
    """Of a recording that is resumed: its newest reading of the encoder."""
    newest_total: int = 0
    still_since_ns: int = TIME_MIN_NS
    """It stands still since then, at one set-point."""
    is_judged: bool = False
    """This standstill was long enough, and what follows from it was looked at."""
    segment_since_ns: int = TIME_MIN_NS
    rests: tuple[Rest, ...] = ()
    """The newest, and before it one at a set-point apart; of this segment and its like."""
    lost: LostTurns | None = None

    def with_setpoint(self, setpoints: Setpoints) -> "TurnMemory":
        """Return it with the newest of more set-points."""
        if not len(setpoints.row):
            return self
        return self._replace(
            setpoint=float(setpoints.counts[-1]), setpoint_ns=int(setpoints.time_ns[-1])
        )

    def after_restart(self, turns: UnwrapState) -> "TurnMemory":
        """Return what a recorder that resumes the recording reads back from its newest segment."""
        since_ns = self.segment_since_ns
        is_counted = turns.time_ns != TIME_MIN_NS
        newest_ns = turns.time_ns if is_counted else self.newest_ns
        rests = (rest._replace(since_ns=max(rest.since_ns, since_ns)) for rest in self.rests)
        return self._replace(
            newest_ns=newest_ns,
            newest_total=turns.total if is_counted else self.newest_total,
            still_since_ns=max(self.still_since_ns, since_ns),
            is_judged=False,
            rests=tuple(
                rest
                for rest in rests
                if rest.last_ns - rest.since_ns >= REST_NS
                and rest.setpoint_ns >= rest.since_ns
                and newest_ns - rest.last_ns <= EVIDENCE_NS
            ),
            lost=None,
        )
