"""Tracking error: how far a channel is from its set-point.

Both are held: there is an error at each row that carries either, as long as neither is older than
its hold. In a gap of either there is no error, and so nothing is judged; a delay runs on over one
that is short against it (logger/limits/gaps.py) and starts again after a longer one; an alert
stays.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named, setpoint_of
from logger.joint.quantities import Display
from logger.limits.kind import LimitForm, PositiveNumber, SummaryStyle
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import Phrases, clear_amount, format_channel_value
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import HeldValue, Series, hold_at_rows
from logger.limits.thresholds import difference_grids, level_pair, magnitude_grids
from logger.settings_file import SettingError

__all__ = ["Tracking", "TrackingMemory", "measure_tracking"]


class Tracking(ScoredLimit):
    """A channel must not be so far from its set-point, in either direction."""

    kind: Literal["tracking"] = "tracking"
    channel: ChannelName
    """The measured one; its set-point belongs to it by name."""
    above: PositiveNumber
    drop_off: float | None = None

    threshold_keys: ClassVar[frozenset[str]] = frozenset(("above", "drop_off"))
    measure_words: ClassVar[str] = " from its set-point"
    form: ClassVar[LimitForm] = LimitForm(
        key="tracking",
        words="distance from the set-point",
        blank={"channel": "position_rad", "above": 0.1, "on_delay_s": 1.0},
        keys={
            "above": ("picks up at or above", "channel"),
            "drop_off": ("drops off at", "channel"),
        },
        drop_offs={"above": "drop_off"},
    )
    example: ClassVar[str] = """\
# Set-point minus actual, both held, in either direction.
[[limit]]
name       = "astray"
kind       = "tracking"
severity   = "warning"
channel    = "position_rad"
above      = 0.05
drop_off   = 0.02
on_delay_s = 0.5
"""

    @model_validator(mode="after")
    def _fits(self) -> "Tracking":
        if setpoint_of(self.channel) is None:
            raise SettingError(
                "channel",
                found=f"{self.channel!r}",
                expected="a measured channel, whose set-point another channel reports",
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
        setpoint = setpoint_of(self.channel)
        assert setpoint is not None, "`_fits` has seen to it"
        return setpoint

    @property
    def clears_at(self) -> float:
        """The error at or below which it counts as gone."""
        return self.above if self.drop_off is None else self.drop_off

    @cached_property
    def compared(self) -> tuple[float, float]:
        """The errors at which it is on and off (`thresholds`)."""
        grids = difference_grids(self.grids_of(self.setpoint), self.grids_of(self.channel))
        return level_pair(self.above, self.clears_at, magnitude_grids(grids))

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel), ("channel", self.setpoint))

    @property
    def scored_channels(self) -> tuple[str, ...]:
        """See `ScoredLimit`; either of them is compared with the other as it is held."""
        return (self.channel, self.setpoint)

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `LimitKind`."""
        return np.abs(values)

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`; readings at one instant: means would hide an error that swings."""
        return {self.channel: "ends", self.setpoint: "ends"}

    def scores_hold_ns(self, hold_ns: Mapping[str, int]) -> int:
        """See `ScoredLimit`; errors come at the pace of the faster one."""
        return min(hold_ns[self.channel], hold_ns[self.setpoint])

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return TrackingMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, TrackingMemory), "`initial_memory` gave it"
        return measure_tracking(self, memory, series)

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what = channel_named(self.channel).label
        level = format_channel_value(self.channel, self.above, displays=displays)
        clear = format_channel_value(self.channel, self.clears_at, displays=displays)
        less = clear_amount(clear, at_pick_up=self.clears_at == self.above)
        return Phrases(
            label=f"{what} {level} or more from its set-point",
            subject=f"the {what} of {self.joint or 'any joint'}",
            reaches=f"is {level} or more from its set-point",
            stays=f"stays {level} or more from its set-point",
            clears=f"at {less}",
            back=f"{what} back at {less} from its set-point",
        )

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(key="above", position=self.above, mirrored=True)
        return pick_up, *drop_off_handle("drop_off", self.drop_off, mirrored=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackingMemory(LimitMemory):
    """The newest value of both."""

    actual_ns: int | None = None
    actual: float = 0.0
    setpoint_ns: int | None = None
    setpoint: float = 0.0


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
    pick_up, drop_off = limit.compared
    has_both = has_actual & has_setpoint
    error = setpoint - actual
    score = np.abs(error)
    if not has_both.all():
        rows, error, score = rows[has_both], error[has_both], score[has_both]
    scores = Scores(
        time_ns=series.batch.time_ns[rows],
        batch_rows=rows,
        score=score,
        reported=error,
        pick_up=pick_up,
        drop_off=drop_off,
        hold_ns=limit.scores_hold_ns(series.hold_ns),
    )
    return scores, TrackingMemory(
        actual_ns=newest.time_ns,
        actual=newest.value,
        setpoint_ns=newest_setpoint.time_ns,
        setpoint=newest_setpoint.value,
    )
