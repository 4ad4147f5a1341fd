"""A channel beyond a level: above, below, outside of two, or beyond a share of its rated value.

The score is the reading itself, signed such that more is worse. The meaning is told in evaluate.py.
"""

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import CHANNELS
from logger.limits.kind import FiniteNumber, JointLimit, PositiveShare, Scores, rated_value
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Band", "Level", "RatedLevel", "measure_band", "measure_level"]

Pair = tuple[FiniteNumber, FiniteNumber]


class ChannelLimit(JointLimit):
    """A limit on the values of one channel."""

    channel: ChannelName
    magnitude: bool = False
    """Compare the magnitude; left out, it is what the channel says (current and torque: true), of
    `outside` always false."""

    @model_validator(mode="before")
    @classmethod
    def _magnitude_of_channel(cls, data: Any) -> Any:  # noqa: ANN401 - raw settings
        if isinstance(data, dict) and "magnitude" not in data:
            channel = CHANNELS.get(str(data.get("channel")))
            # Two levels tell the directions apart by themselves.
            of_size = channel is not None and channel.magnitude and "outside" not in data
            return {**data, "magnitude": of_size}
        return data

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `JointLimit`."""
        return (("channel", self.channel),)

    @property
    def reported_channel(self) -> str:
        """See `JointLimit`."""
        return self.channel


class Level(ChannelLimit):
    """A channel must not stay at or beyond a level; in the channel's own unit."""

    kind: Literal["level"] = "level"
    above: FiniteNumber | None = None
    below: FiniteNumber | None = None
    drop_off: FiniteNumber | None = None
    """Where it counts as gone again; None: at the pick-up itself."""

    @model_validator(mode="after")
    def _fits(self) -> "Level":
        if self.above is None and self.below is None:
            raise SettingError("above", "this key is missing; a level limit has above or below.")
        if self.above is not None and self.below is not None:
            raise SettingError(
                "below",
                found=f"{self.below:g} beside above = {self.above:g}",
                expected="one of the two",
                hint="Write two limits.",
            )
        side = "above" if self.is_rising else "below"
        if self.magnitude and self.pick_up < 0:
            raise SettingError(
                side,
                found=f"{self.pick_up:g} with magnitude = true",
                expected="0 or more: a magnitude is never negative",
                hint="Set magnitude = false to tell the directions apart.",
            )
        if self.drop_off is None:
            return self
        if (self.drop_off > self.pick_up) if self.is_rising else (self.drop_off < self.pick_up):
            bound = "at most" if self.is_rising else "at least"
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"{bound} {self.pick_up:g}, the {side} of this limit",
            )
        if self.magnitude and self.drop_off < 0:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g} with magnitude = true",
                expected="0 or more: the limit would never clear",
            )
        return self

    @property
    def is_rising(self) -> bool:
        """True for `above`, False for `below`."""
        return self.above is not None

    @property
    def pick_up(self) -> float:
        """The level at which (and beyond which) it speaks up."""
        level = self.above if self.above is not None else self.below
        assert level is not None, "_fits has seen to it"
        return level

    @property
    def clears_at(self) -> float:
        """The level at which (and beyond which) it counts as gone: drop-off, or the pick-up."""
        return self.pick_up if self.drop_off is None else self.drop_off

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `JointLimit`."""
        size = np.abs(values) if self.magnitude else values
        return size if self.is_rising else -size


class RatedLevel(ChannelLimit):
    """A level as a share of the joint's rated torque, current or voltage."""

    kind: Literal["level"] = "level"
    above_rated: PositiveShare | None = None
    """1.0 is the rated value."""
    below_rated: PositiveShare | None = None
    drop_off_rated: float | None = Field(default=None, ge=0, le=1e6)

    @model_validator(mode="after")
    def _fits(self) -> "RatedLevel":
        quantity = CHANNELS[self.channel].quantity
        if quantity not in {"torque", "current", "voltage"}:
            raise SettingError(
                "channel",
                found=f"{self.channel!r} with a share of rated",
                expected="a torque, a current or a voltage: nothing else has a rated value",
            )
        if (self.above_rated is None) == (self.below_rated is None):
            raise SettingError("above_rated", "expected one of above_rated and below_rated.")
        if self.drop_off_rated is None:
            return self
        beyond = (
            self.drop_off_rated > self.pick_up_share
            if self.is_rising
            else self.drop_off_rated < self.pick_up_share
        )
        if beyond:
            raise SettingError(
                "drop_off_rated",
                found=f"{self.drop_off_rated:g}",
                expected=f"{'at most' if self.is_rising else 'at least'} {self.pick_up_share:g}",
            )
        return self

    @property
    def is_rising(self) -> bool:
        """True for `above_rated`."""
        return self.above_rated is not None

    @property
    def pick_up_share(self) -> float:
        """The share of the rated value at which it speaks up."""
        share = self.above_rated if self.above_rated is not None else self.below_rated
        assert share is not None, "_fits has seen to it"
        return share

    @property
    def needs_rated(self) -> tuple[tuple[str, str], ...]:
        """See `JointLimit`."""
        return (("above_rated" if self.is_rising else "below_rated", self.channel),)

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `JointLimit`."""
        size = np.abs(values) if self.magnitude else values
        return size if self.is_rising else -size

    def with_rated(self, rated: RatedValues) -> Level | None:
        """Return the level that it is on a joint; None where that has no such rated value."""
        full_value = rated_value(self.channel, rated)
        if full_value is None:
            return None
        return Level(
            name=self.name,
            severity=self.severity,
            joint=self.joint,
            channel=self.channel,
            magnitude=self.magnitude,
            above=self.pick_up_share * full_value if self.is_rising else None,
            below=None if self.is_rising else self.pick_up_share * full_value,
            drop_off=None if self.drop_off_rated is None else self.drop_off_rated * full_value,
            on_delay_s=self.on_delay_s,
            off_delay_s=self.off_delay_s,
        )


class Band(ChannelLimit):
    """A channel must not stay at or outside of two levels."""

    kind: Literal["level"] = "level"
    outside: Pair
    """Lowest and highest; at or beyond either it speaks up."""
    inside: Pair | None = None
    """Its drop-off: at or within these it counts as gone; left out, within `outside` itself."""

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

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `JointLimit`."""
        size = np.abs(values) if self.magnitude else values
        return np.maximum(size - self.outside[1], self.outside[0] - size)


def measure_level(limit: Level, series: Series) -> Scores:
    """Return the readings of the channel as they are."""
    readings = series.channel_series(limit.channel)
    sign = 1.0 if limit.is_rising else -1.0
    return Scores(
        time_ns=readings.time_ns,
        batch_rows=readings.rows,
        score=limit.rank(readings.values),
        reported=readings.values,
        pick_up=sign * limit.pick_up,
        drop_off=sign * limit.clears_at,
        hold_ns=series.hold_ns[limit.channel],
    )


def measure_band(limit: Band, series: Series) -> Scores:
    """Return on (1), off (-1) or between (0) for each reading.

    Compared with each level as it stands: a difference would round.
    """
    readings = series.channel_series(limit.channel)
    size = np.abs(readings.values) if limit.magnitude else readings.values
    (low, high), (lower, upper) = limit.outside, limit.clears_within
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
