"""A channel outside of two levels, whichever way.

The score says on which side of both a reading lies. The meaning is defined in evaluate.py.

Gaps: as of a level: each reading is judged by itself, delays run on over short gaps and start again
after longer ones (logger/limits/gaps.py), an alert stays.
"""

from collections.abc import Mapping
from functools import cached_property
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.channel_limit import ChannelLimit
from logger.limits.kind import FiniteNumber, LimitForm
from logger.limits.levels import DragHandle, LimitLevel
from logger.limits.phrases import Phrases, format_channel_value
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import Series
from logger.limits.thresholds import at_least, at_most
from logger.settings_file import SettingError

__all__ = ["Band", "measure_band"]

Pair = tuple[FiniteNumber, FiniteNumber]


class Band(ChannelLimit):
    """A channel must not stay at or outside of two levels."""

    kind: Literal["level"] = "level"
    outside: Pair
    """Lowest and highest; raised at or beyond either."""
    inside: Pair | None = None
    """Its drop-off: at or within these it counts as gone; left out, within `outside` itself."""

    written_with: ClassVar[frozenset[str]] = frozenset(("outside", "inside"))
    form: ClassVar[LimitForm] = LimitForm(
        key="outside",
        words="outside of two levels",
        blank={"channel": "voltage_V", "outside": [40.0, 54.0]},
        keys={
            "outside": ("picks up at or outside of", "channel"),
            "inside": ("drops off at or inside of", "channel"),
        },
    )
    example: ClassVar[str] = """\
# At or outside of two levels; at or within `inside` it is gone again.
[[limit]]
name     = "supply"
kind     = "level"
severity = "warning"
channel  = "voltage_V"
outside  = [42.0, 54.0]
inside   = [43.0, 53.0]
"""

    @model_validator(mode="after")
    def _fits(self) -> "Band":
        low, high = self.outside
        if low >= high:
            raise SettingError(
                "outside", found=f"[{low:g}, {high:g}]", expected="the lower one first"
            )
        if self.magnitude and low < 0:
            raise SettingError(
                "outside",
                found=f"[{low:g}, {high:g}] with magnitude = true",
                expected="0 or more: a magnitude is never negative",
                hint="Leave magnitude away to tell the directions apart.",
            )
        if self.inside is not None:
            lower, upper = self.inside
            if not low <= lower <= upper <= high:
                raise SettingError(
                    "inside",
                    found=f"[{lower:g}, {upper:g}]",
                    expected=f"two levels within [{low:g}, {high:g}], the outside of this limit",
                )
        return self

    @property
    def clears_within(self) -> tuple[float, float]:
        """Between which it counts as gone."""
        return self.outside if self.inside is None else self.inside

    @cached_property
    def compared_outside(self) -> Pair:
        """At or below the first and at or above the second it is outside (`thresholds`)."""
        low, high = self.outside
        return at_most(low, self.size_grids), at_least(high, self.size_grids)

    @cached_property
    def compared_inside(self) -> Pair:
        """At or above the first and at or below the second it is inside, where not outside."""
        lower, upper = self.clears_within
        return at_least(lower, self.size_grids), at_most(upper, self.size_grids)

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `LimitKind`."""
        size = self.value_of(values)
        return np.maximum(size - self.outside[1], self.outside[0] - size)

    @property
    def furthest_is_inside(self) -> bool:
        """See `ScoredLimit`."""
        return self.magnitude and self.outside[0] > 0

    def compute_scores(self, memory: LimitMemory | None, series: Series) -> tuple[Scores, None]:
        """See `ScoredLimit`."""
        return measure_band(self, series), None

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        low, high = (
            format_channel_value(self.channel, one, displays=displays) for one in self.outside
        )
        lower, upper = (
            format_channel_value(self.channel, one, displays=displays) for one in self.clears_within
        )
        what = channel_named(self.channel).label
        within = "within" if self.clears_within == self.outside else "at or within"
        either = ", in either direction," if self.magnitude else ""
        return Phrases(
            label=f"{what} at or outside {low} to {high}",
            subject=f"the {what} of {self.joint or 'any joint'}{either}",
            reaches=f"reaches {high} or falls to {low}",
            stays=f"stays at or outside {low} to {high}",
            clears=f"{within} {lower} to {upper}",
            back=f"{what} back {within} {lower} to {upper}",
            extreme="furthest",
        )

    def levels(self, rated: RatedValues) -> tuple[LimitLevel, ...]:
        """See `JointLimit`."""
        (low, high), (lower, upper) = self.outside, self.clears_within
        return self.line(low, lower, rising=False), self.line(high, upper, rising=True)

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        return tuple(
            DragHandle(key="outside", position=at, number_index=place, is_rising=place == 1)
            for place, at in enumerate(self.outside)
        )


def measure_band(limit: Band, series: Series) -> Scores:
    """Return on (1), off (-1) or between (0) for each reading.

    Compared with each level itself: a difference would be rounded.
    """
    readings = series.channel_series(limit.channel)
    size = limit.value_of(readings.values)
    (low, high), (lower, upper) = limit.compared_outside, limit.compared_inside
    on = (size <= low) | (size >= high)
    return Scores(
        time_ns=readings.time_ns,
        batch_rows=readings.rows,
        score=on.astype(np.float64) - ((size >= lower) & (size <= upper) & ~on),
        reported=readings.values,
        pick_up=1.0,
        drop_off=-1.0,
        hold_ns=series.hold_ns[limit.channel],
    )
