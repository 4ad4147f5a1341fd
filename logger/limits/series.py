"""The non-null values of each channel of a batch, found once for all limits on it. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ReadingBatch

__all__ = ["ChannelSeries", "HeldValue", "Series", "hold_at_rows", "segments_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSeries:
    """The m values that a channel has in a batch."""

    time_ns: NDArray[np.int64]
    values: NDArray[np.float64]
    rows: NDArray[np.intp] | None
    """The row of each; None: every row has one."""


class Series:
    """A batch by channel; `hold_ns`: channel -> how long one of its values holds."""

    def __init__(self, batch: ReadingBatch, hold_ns: Mapping[str, int]) -> None:
        self.batch = batch
        self.hold_ns = hold_ns
        self._by_channel: dict[str, ChannelSeries] = {}

    def channel_series(self, channel: str) -> ChannelSeries:
        """Return the values of a channel, none where the batch lacks it."""
        if channel not in self._by_channel:
            self._by_channel[channel] = self._channel(channel)
        return self._by_channel[channel]

    def with_channel(self, channel: str, replacement: ChannelSeries) -> "Series":
        """Return the same with other values of one channel."""
        changed = Series(self.batch, self.hold_ns)
        changed._by_channel = {**self._by_channel, channel: replacement}
        return changed

    def _channel(self, channel: str) -> ChannelSeries:
        values = self.batch.columns.get(channel)
        if values is None:
            nothing = np.empty(0, np.intp)
            return ChannelSeries(time_ns=np.empty(0, np.int64), values=np.empty(0), rows=nothing)
        has_value = ~np.isnan(values)
        if has_value.all():
            return ChannelSeries(time_ns=self.batch.time_ns, values=values, rows=None)
        rows = np.flatnonzero(has_value)
        return ChannelSeries(time_ns=self.batch.time_ns[rows], values=values[rows], rows=rows)


def segments_of(readings: ChannelSeries, batch: ReadingBatch) -> NDArray[np.int32]:
    """Return the segment of each position, shape (m,); all the same where none are known."""
    if len(batch.position_segment) != len(batch):
        return np.full(len(readings.values), -1, np.int32)
    return (
        batch.position_segment if readings.rows is None else batch.position_segment[readings.rows]
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldValue:
    """The newest value of a channel."""

    time_ns: int | None = None
    value: float = 0.0


def hold_at_rows(
    rows: NDArray[np.intp], channel: str, before: HeldValue, series: Series
) -> tuple[NDArray[np.float64], NDArray[np.bool_], HeldValue]:
    """Return what a channel held at some rows of the batch, whether it did, and its newest value.

    A value at the row itself counts.
    """
    at = series.channel_series(channel)
    if len(at.values) == 0:
        values = np.full(len(rows), before.value)
        if before.time_ns is None:
            return values, np.zeros(len(rows), np.bool_), before
        since = np.full(len(rows), before.time_ns, np.int64)
        after = before
    else:
        after = HeldValue(time_ns=int(at.time_ns[-1]), value=float(at.values[-1]))
        if at.rows is None:
            return at.values[rows], np.ones(len(rows), np.bool_), after
        there = np.zeros(len(series.batch), np.intp)
        there[at.rows] = 1
        place = np.cumsum(there)[rows]
        # Never received before: so long ago that nothing holds for it.
        begin_ns = np.iinfo(np.int64).min // 2 if before.time_ns is None else before.time_ns
        values = np.concatenate(([before.value], at.values))[place]
        since = np.concatenate(([begin_ns], at.time_ns))[place]
    return values, series.batch.time_ns[rows] - since <= series.hold_ns[channel], after
