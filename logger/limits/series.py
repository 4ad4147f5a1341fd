"""The non-null values of each channel of a batch, found once for all limits on it. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ReadingBatch

__all__ = ["Channel", "Series"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
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
        self._found: dict[str, Channel] = {}

    def of(self, channel: str) -> Channel:
        """Return the values of a channel, none where the batch lacks it."""
        if channel not in self._found:
            self._found[channel] = self._channel(channel)
        return self._found[channel]

    def with_channel(self, channel: str, at: Channel) -> "Series":
        """Return the same with other values of one channel."""
        other = Series(self.batch, self.hold_ns)
        other._found = {**self._found, channel: at}
        return other

    def _channel(self, channel: str) -> Channel:
        values = self.batch.columns.get(channel)
        if values is None:
            nothing = np.empty(0, np.intp)
            return Channel(time_ns=np.empty(0, np.int64), values=np.empty(0), rows=nothing)
        held = ~np.isnan(values)
        if held.all():
            return Channel(time_ns=self.batch.time_ns, values=values, rows=None)
        rows = np.flatnonzero(held)
        return Channel(time_ns=self.batch.time_ns[rows], values=values[rows], rows=rows)
