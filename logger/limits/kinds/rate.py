"""Rate of rise over a window: difference over the window, in the channel's unit a minute.

The difference and not a line of least squares: it needs one remembered reading for each 32nd of
the window instead of all of them, and it names two readings that anybody can look up. Time is cut
into such 32nds on an absolute grid; the first reading in each, and after a gap, is remembered.
Compared is each reading with the newest remembered one of 32 cells before its own or earlier. Until
there is one there is no rate.

Gaps: one that is short against the window is bridged (logger/limits/gaps.py), since a difference
over the window asks for its two ends and not for what lies between; the window is longer by an
eighth at most. A longer gap forgets all that is remembered, and so does a new segment of positions,
which has another zero: there is no rate until the window is full again, running delays start again,
and an alert stays.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Final, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.errors import Mistake
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.gaps import bridged_ns
from logger.limits.kind import LimitForm, PositiveNumber, SummaryStyle
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import Phrases, clear_amount, format_slope, format_span
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series, segments_of
from logger.limits.thresholds import level_pair
from logger.settings_file import SettingError

__all__ = ["Rate", "RateMemory", "measure_rate"]

_CELLS: Final = 32


class Rate(ScoredLimit):
    """A channel must not rise that fast."""

    kind: Literal["rate"] = "rate"
    channel: ChannelName
    rise_per_min: PositiveNumber
    """In the channel's unit; kelvins of a temperature."""
    over_s: float = Field(gt=0, le=86_400)
    """The window."""
    drop_off_per_min: float | None = None

    measure_unit: ClassVar[Literal["per_min"]] = "per_min"
    threshold_keys: ClassVar[frozenset[str]] = frozenset(("rise_per_min", "drop_off_per_min"))
    form: ClassVar[LimitForm] = LimitForm(
        key="rate",
        words="rate of rise",
        blank={"channel": "temperature_housing_degC", "rise_per_min": 2.0, "over_s": 120.0},
        keys={
            "rise_per_min": ("picks up at a rise of", "channel/min"),
            "over_s": ("taken over", "s"),
            "drop_off_per_min": ("drops off at a rise of", "channel/min"),
        },
        drop_offs={"rise_per_min": "drop_off_per_min"},
    )
    example: ClassVar[str] = """\
# How fast a channel rises, a minute, as a difference over a window.
[[limit]]
name             = "heats-fast"
kind             = "rate"
severity         = "warning"
channel          = "temperature_housing_degC"
rise_per_min     = 8.0
over_s           = 60.0
drop_off_per_min = 5.0
"""

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

    @cached_property
    def compared(self) -> tuple[float, float]:
        """The rates at which it is on and off (`thresholds`)."""
        return level_pair(self.rise_per_min, self.clears_at)

    @property
    def window_s(self) -> float:
        """See `ScoredLimit`."""
        return self.over_s

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel),)

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {self.channel: "mean"}

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return RateMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, RateMemory), "`initial_memory` gave it"
        return measure_rate(self, memory, series)

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`."""
        assert isinstance(memory, RateMemory), "`initial_memory` gave it"
        # No reading is compared with a mark that is younger, nor with one that is still to come.
        youngest_ns = (_CELLS - 1) * _cell_ns(self)
        if active or memory.last_ns is None or until_ns - memory.last_ns > youngest_ns:
            return None
        lowest = min(memory.values)
        rise = self.compared[0] * (youngest_ns / 60e9)
        return {self.channel: (-math.inf, lowest + rise - 1e-9 * (abs(lowest) + rise))}

    def pace_mistakes(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """See `JointLimit`."""
        yield from super().pace_mistakes(joint, period_s)
        if self.over_s < 2 * period_s:
            yield Mistake(
                key=("over_s",),
                found=f"{self.over_s:g}",
                expected=f"at least {2 * period_s:g}, two periods of the frame that carries "
                f"{self.channel} of {joint!r}: one step is no rise",
            )

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what = channel_named(self.channel).label
        quick = format_slope(self.channel, self.rise_per_min, displays)
        back = format_slope(self.channel, self.clears_at, displays)
        less = clear_amount(back, at_pick_up=self.clears_at == self.rise_per_min)
        over = format_span(self.over_s)
        return Phrases(
            label=f"{what} rising by {quick} or more",
            subject=f"the {what} of {self.joint or 'any joint'}",
            reaches=f"rises by {quick} or more over {over}",
            stays=f"rises by {quick} or more, taken over {over},",
            clears=f"at {less}",
            back=f"{what} rising by {less}",
        )

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return format_slope(self.channel, value, displays, setting=False)

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(key="rise_per_min", position=self.rise_per_min)
        return pick_up, *drop_off_handle("drop_off_per_min", self.drop_off_per_min)


@dataclass(frozen=True, slots=True, kw_only=True)
class RateMemory(LimitMemory):
    """The readings that later ones are compared with, since the newest gap not bridged."""

    last_ns: int | None = None
    segment: int = -1
    """Of positions, of the newest reading."""
    time_ns: tuple[int, ...] = ()
    values: tuple[float, ...] = ()


def _cell_ns(limit: Rate) -> int:
    return max(round(limit.over_s * 1e9 / _CELLS), 1)


def measure_rate(limit: Rate, memory: RateMemory, series: Series) -> tuple[Scores, RateMemory]:
    """Return the rate at each reading at the end of a full window, and the memory."""
    readings = series.channel_series(limit.channel)
    hold_ns = series.hold_ns[limit.channel]
    cell_ns = _cell_ns(limit)
    n = len(readings.values)
    rate, rows_with_rate = np.empty(0), np.empty(0, np.intp)
    if n:
        last_ns = readings.time_ns[0] if memory.last_ns is None else memory.last_ns
        longest_ns = bridged_ns(hold_ns, round(limit.over_s * 1e9))
        gap = np.diff(readings.time_ns, prepend=last_ns) > longest_ns
        segment = memory.segment
        if limit.channel == "position_rad":
            segments = segments_of(readings, series.batch)
            gap |= (
                np.diff(segments, prepend=segment if memory.last_ns is not None else segments[0])
                != 0
            )
            segment = int(segments[-1])
        cell = readings.time_ns // cell_ns
        newest = memory.time_ns[-1] // cell_ns if memory.time_ns else cell[0] - 1
        begins = gap | (np.diff(cell, prepend=newest) != 0)
        first = np.flatnonzero(begins)
        kept = len(memory.time_ns)
        mark_ns = np.concatenate((np.array(memory.time_ns, np.int64), readings.time_ns[first]))
        marks = np.concatenate((np.array(memory.values, np.float64), readings.values[first]))
        gap_number = np.concatenate((np.zeros(kept, np.int64), np.cumsum(gap[first])))
        mark_cell = mark_ns // cell_ns
        # All readings of one cell are compared with the same mark, if no gap lies between.
        back = np.searchsorted(mark_cell, mark_cell - _CELLS, "right") - 1
        has_mark = (back >= 0) & (gap_number[back] == gap_number)
        mark_of_row = np.repeat(
            np.arange(kept - 1, len(mark_ns)),
            np.diff(np.concatenate(([0], first, [n]))),
        )
        rows_with_rate = np.flatnonzero(has_mark[mark_of_row])
        mark_rows = back[mark_of_row[rows_with_rate]]
        # Divided, not multiplied by a rounded 1 / 60e9: 8 K in a minute are just 8 K/min.
        span_min = (readings.time_ns[rows_with_rate] - mark_ns[mark_rows]) / 60e9
        rate = (readings.values[rows_with_rate] - marks[mark_rows]) / span_min
        first_kept = max(
            int(np.searchsorted(mark_cell, mark_cell[-1] - _CELLS, "right")) - 1,
            int(np.searchsorted(gap_number, gap_number[-1])),
            0,
        )
        memory = RateMemory(
            last_ns=int(readings.time_ns[-1]),
            segment=segment,
            time_ns=tuple(mark_ns[first_kept:].tolist()),
            values=tuple(marks[first_kept:].tolist()),
        )
    pick_up, drop_off = limit.compared
    scores = Scores(
        time_ns=readings.time_ns[rows_with_rate],
        batch_rows=rows_with_rate if readings.rows is None else readings.rows[rows_with_rate],
        score=rate,
        reported=rate,
        pick_up=pick_up,
        drop_off=drop_off,
        hold_ns=hold_ns,
    )
    return scores, memory
