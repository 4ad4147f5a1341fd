"""Tracking error: how far a channel is from its set-point.

Both are held: an error is told at each row that carries either, as long as neither is older than
its hold. In a gap of either there is no error, which restarts running delays and changes nothing
else.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from logger.joint.bench.value import ChannelName
from logger.joint.channels import SETPOINT_OF
from logger.limits.kind import Kind, Positive, Scores
from logger.limits.series import Series

__all__ = ["Held", "Tracking", "TrackingMemory", "held_at", "measure_tracking"]


class Tracking(Kind):
    """A channel must not be so far from its set-point, in either direction."""

    kind: Literal["tracking"] = "tracking"
    channel: ChannelName
    """The measured one; its set-point belongs to it by name."""
    above: Positive
    drop_off: float | None = None

    @model_validator(mode="after")
    def _fits(self) -> "Tracking":
        if self.channel not in SETPOINT_OF:
            raise ValueError(
                f"channel: found {self.channel!r}, expected a channel with a set-point: "
                f"{', '.join(SETPOINT_OF)}."
            )
        if self.drop_off is not None and not 0 <= self.drop_off <= self.above:
            raise ValueError(
                f"drop_off: found {self.drop_off:g}, expected 0 to {self.above:g}, the above of "
                "this limit."
            )
        return self

    @property
    def setpoint(self) -> str:
        """The channel of the set-point."""
        return SETPOINT_OF[self.channel]

    @property
    def clears_at(self) -> float:
        """The error at or below which it counts as gone."""
        return self.above if self.drop_off is None else self.drop_off

    @property
    def needs(self) -> tuple[tuple[str, str], ...]:
        """See `Kind`."""
        return (("channel", self.channel), ("channel", self.setpoint))

    def rank(self, told: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `Kind`."""
        return np.abs(told)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """The newest value of a channel."""

    time_ns: int | None = None
    value: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackingMemory:
    """The newest value of both."""

    actual_ns: int | None = None
    actual: float = 0.0
    setpoint_ns: int | None = None
    setpoint: float = 0.0


def held_at(
    rows: NDArray[np.intp], channel: str, before: Held, series: Series
) -> tuple[NDArray[np.float64], NDArray[np.bool_], Held]:
    """Return what a channel held at some rows of the batch, whether it did, and its newest value.

    A value at the row itself counts.
    """
    at = series.of(channel)
    if len(at.values) == 0:
        values = np.full(len(rows), before.value)
        if before.time_ns is None:
            return values, np.zeros(len(rows), np.bool_), before
        since = np.full(len(rows), before.time_ns, np.int64)
        after = before
    else:
        after = Held(time_ns=int(at.time_ns[-1]), value=float(at.values[-1]))
        if at.rows is None:
            return at.values[rows], np.ones(len(rows), np.bool_), after
        there = np.zeros(len(series.batch), np.intp)
        there[at.rows] = 1
        place = np.cumsum(there)[rows]
        # Never heard before: so long ago that nothing holds for it.
        begin_ns = np.iinfo(np.int64).min // 2 if before.time_ns is None else before.time_ns
        values = np.concatenate(([before.value], at.values))[place]
        since = np.concatenate(([begin_ns], at.time_ns))[place]
    return values, series.batch.time_ns[rows] - since <= series.hold_ns[channel], after


def measure_tracking(
    limit: Tracking, memory: TrackingMemory, series: Series
) -> tuple[Scores, TrackingMemory]:
    """Return set-point minus actual at each row that carries either, and the memory."""
    told_at = (series.of(limit.channel), series.of(limit.setpoint))
    if any(one.rows is None for one in told_at):
        rows = np.arange(len(series.batch))
    else:
        mask = np.zeros(len(series.batch), np.bool_)
        for one in told_at:
            mask[one.rows] = True
        rows = np.flatnonzero(mask)
    actual, there, newest = held_at(
        rows, limit.channel, Held(time_ns=memory.actual_ns, value=memory.actual), series
    )
    setpoint, also, newest_setpoint = held_at(
        rows, limit.setpoint, Held(time_ns=memory.setpoint_ns, value=memory.setpoint), series
    )
    both = there & also
    error = setpoint - actual
    score = np.abs(error)
    if not both.all():
        # Neither on nor off: that breaks a running delay off, however short the gap looks here.
        error[~both], score[~both] = 0.0, np.nan
    scores = Scores(
        time_ns=series.batch.time_ns[rows],
        rows=rows,
        score=score,
        told=error,
        pick_up=limit.above,
        drop_off=limit.clears_at,
        # Errors come at the pace of the faster one.
        hold_ns=min(series.hold_ns[limit.channel], series.hold_ns[limit.setpoint]),
    )
    return scores, TrackingMemory(
        actual_ns=newest.time_ns,
        actual=newest.value,
        setpoint_ns=newest_setpoint.time_ns,
        setpoint=newest_setpoint.value,
    )
