"""Rate of rise over a window: difference over the window, in the channel's unit a minute.

The difference and not a line of least squares: it needs one remembered reading for each 32nd of
the window instead of all of them, and it names two readings that anybody can look up. Time is cut
into such 32nds on an absolute grid; the first reading in each, and behind a gap, is remembered.
Compared is each reading with the newest remembered one of 32 cells before its own or earlier. Until
there is one there is no rate, and a gap forgets them all: no rate is ever told across a gap, and an
alert that stood before it stands until the window is full again.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.joint.bench.value import ChannelName
from logger.limits.kind import JointLimit, PositiveNumber, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Rate", "RateMemory", "measure_rate"]

_CELLS: Final = 32


class Rate(JointLimit):
    """A channel must not rise that fast."""

    kind: Literal["rate"] = "rate"
    channel: ChannelName
    rise_per_min: PositiveNumber
    """In the channel's unit; kelvins of a temperature."""
    over_s: float = Field(gt=0, le=86_400)
    """The window."""
    drop_off_per_min: float | None = None

    @model_validator(mode="after")
    def _fits(self) -> "Rate":
        if self.drop_off_per_min is not None and self.drop_off_per_min > self.rise_per_min:
            raise SettingError(
                "drop_off_per_min",
                found=f"{self.drop_off_per_min:g}",
                expected=f"at most {self.rise_per_min:g}, the rise_per_min of this limit",
            )
        return self

    @property
    def clears_at(self) -> float:
        """The rate at or below which it counts as gone."""
        return self.rise_per_min if self.drop_off_per_min is None else self.drop_off_per_min

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `JointLimit`."""
        return (("channel", self.channel),)


@dataclass(frozen=True, slots=True, kw_only=True)
class RateMemory:
    """The readings that later ones are compared with, since the newest gap."""

    last_ns: int | None = None
    time_ns: tuple[int, ...] = ()
    values: tuple[float, ...] = ()


def measure_rate(limit: Rate, memory: RateMemory, series: Series) -> tuple[Scores, RateMemory]:
    """Return the rate at each reading that has a full window behind it, and the memory."""
    readings = series.channel_series(limit.channel)
    hold_ns = series.hold_ns[limit.channel]
    cell_ns = max(round(limit.over_s * 1e9 / _CELLS), 1)
    n = len(readings.values)
    rate, reported_rows = np.empty(0), np.empty(0, np.intp)
    if n:
        last_ns = readings.time_ns[0] if memory.last_ns is None else memory.last_ns
        gap = np.diff(readings.time_ns, prepend=last_ns) > hold_ns
        cell = readings.time_ns // cell_ns
        newest = memory.time_ns[-1] // cell_ns if memory.time_ns else cell[0] - 1
        begins = gap | (np.diff(cell, prepend=newest) != 0)
        first = np.flatnonzero(begins)
        carried = len(memory.time_ns)
        mark_ns = np.concatenate((np.array(memory.time_ns, np.int64), readings.time_ns[first]))
        marks = np.concatenate((np.array(memory.values, np.float64), readings.values[first]))
        stretch = np.concatenate((np.zeros(carried, np.int64), np.cumsum(gap[first])))
        mark_cell = mark_ns // cell_ns
        # All readings of one cell are compared with the same mark, one that has no gap behind it.
        back = np.searchsorted(mark_cell, mark_cell - _CELLS, "right") - 1
        has_past = (back >= 0) & (stretch[back] == stretch)
        owner = np.repeat(
            np.arange(carried - 1, len(mark_ns)),
            np.diff(np.concatenate(([0], first, [n]))),
        )
        reported_rows = np.flatnonzero(has_past[owner])
        mine = back[owner[reported_rows]]
        # Divided, not multiplied by a rounded 1 / 60e9: 8 K in a minute are just 8 K/min.
        span_min = (readings.time_ns[reported_rows] - mark_ns[mine]) / 60e9
        rate = (readings.values[reported_rows] - marks[mine]) / span_min
        first_kept = max(
            int(np.searchsorted(mark_cell, mark_cell[-1] - _CELLS, "right")) - 1,
            int(np.searchsorted(stretch, stretch[-1])),
            0,
        )
        memory = RateMemory(
            last_ns=int(readings.time_ns[-1]),
            time_ns=tuple(mark_ns[first_kept:].tolist()),
            values=tuple(marks[first_kept:].tolist()),
        )
    scores = Scores(
        time_ns=readings.time_ns[reported_rows],
        batch_rows=reported_rows if readings.rows is None else readings.rows[reported_rows],
        score=rate,
        reported=rate,
        pick_up=limit.rise_per_min,
        drop_off=limit.clears_at,
        hold_ns=hold_ns,
    )
    return scores, memory
