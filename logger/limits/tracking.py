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
from logger.limits.kind import JointLimit, PositiveNumber, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["HeldValue", "Tracking", "TrackingMemory", "hold_at_rows", "measure_tracking"]


class Tracking(JointLimit):
    """A channel must not be so far from its set-point, in either direction."""

    kind: Literal["tracking"] = "tracking"
    channel: ChannelName
    """The measured one; its set-point belongs to it by name."""
    above: PositiveNumber
    drop_off: float | None = None

    @model_validator(mode="after")
    def _fits(self) -> "Tracking":
        if self.channel not in SETPOINT_OF:
            raise SettingError(
                "channel",
                found=f"{self.channel!r}",
                expected=f"a channel with a set-point: {', '.join(SETPOINT_OF)}",
            )
        if self.drop_off is not None and not 0 <= self.drop_off <= self.above:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"0 to {self.above:g}, the above of this limit",
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
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `JointLimit`."""
        return (("channel", self.channel), ("channel", self.setpoint))

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `JointLimit`."""
        return np.abs(values)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldValue:
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


def hold_at_rows(
    rows: NDArray[np.intp], channel: str, held_before: HeldValue, series: Series
) -> tuple[NDArray[np.float64], NDArray[np.bool_], HeldValue]:
    """Return what a channel held at some rows of the batch, whether it did, and its newest value.

    A value at the row itself counts.
    """
    readings = series.channel_series(channel)
    if len(readings.values) == 0:
        values = np.full(len(rows), held_before.value)
        if held_before.time_ns is None:
            return values, np.zeros(len(rows), np.bool_), held_before
        value_ns = np.full(len(rows), held_before.time_ns, np.int64)
        held_after = held_before
    else:
        held_after = HeldValue(time_ns=int(readings.time_ns[-1]), value=float(readings.values[-1]))
        if readings.rows is None:
            return readings.values[rows], np.ones(len(rows), np.bool_), held_after
        there = np.zeros(len(series.batch), np.intp)
        there[readings.rows] = 1
        newest = np.cumsum(there)[rows]
        # Never heard before: so long ago that nothing holds for it.
        begin_ns = (
            np.iinfo(np.int64).min // 2 if held_before.time_ns is None else held_before.time_ns
        )
        values = np.concatenate(([held_before.value], readings.values))[newest]
        value_ns = np.concatenate(([begin_ns], readings.time_ns))[newest]
    return values, series.batch.time_ns[rows] - value_ns <= series.hold_ns[channel], held_after


def measure_tracking(
    limit: Tracking, memory: TrackingMemory, series: Series
) -> tuple[Scores, TrackingMemory]:
    """Return set-point minus actual at each row that carries either, and the memory."""
    channels = (series.channel_series(limit.channel), series.channel_series(limit.setpoint))
    if any(channel.rows is None for channel in channels):
        rows = np.arange(len(series.batch))
    else:
        mask = np.zeros(len(series.batch), np.bool_)
        for channel in channels:
            mask[channel.rows] = True
        rows = np.flatnonzero(mask)
    actual, has_actual, newest = hold_at_rows(
        rows, limit.channel, HeldValue(time_ns=memory.actual_ns, value=memory.actual), series
    )
    setpoint, has_setpoint, newest_setpoint = hold_at_rows(
        rows, limit.setpoint, HeldValue(time_ns=memory.setpoint_ns, value=memory.setpoint), series
    )
    has_both = has_actual & has_setpoint
    error = setpoint - actual
    score = np.abs(error)
    if not has_both.all():
        # Neither on nor off: that breaks a running delay off, however short the gap looks here.
        error[~has_both], score[~has_both] = 0.0, np.nan
    scores = Scores(
        time_ns=series.batch.time_ns[rows],
        batch_rows=rows,
        score=score,
        reported=error,
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
