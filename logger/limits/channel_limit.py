"""A limit on the values of one channel: what is compared, and how its levels are drawn."""

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named, is_channel
from logger.limits.kind import SummaryStyle
from logger.limits.levels import LimitLevel
from logger.limits.scored_limit import ScoredLimit
from logger.limits.thresholds import CountGrids, magnitude_grids

__all__ = ["ChannelLimit"]


class ChannelLimit(ScoredLimit):
    """A limit on the values of one channel."""

    channel: ChannelName
    magnitude: bool = False
    """Compare the magnitude; left out, it is what the channel says (current and torque: true), of
    `outside` always false."""

    @model_validator(mode="before")
    @classmethod
    def _magnitude_of_channel(cls, data: Any) -> Any:  # noqa: ANN401 - raw settings
        if isinstance(data, dict) and "magnitude" not in data:
            channel = str(data.get("channel"))
            # Two levels tell the directions apart by themselves.
            of_size = (
                "outside" not in data and is_channel(channel) and channel_named(channel).magnitude
            )
            return {**data, "magnitude": of_size}
        return data

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel),)

    @property
    def reported_channel(self) -> str:
        """See `LimitKind`."""
        return self.channel

    draws_levels: ClassVar[bool] = True

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {self.channel: "extremes"}

    def value_of(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what is compared: the values, or their magnitudes."""
        return np.abs(values) if self.magnitude else values

    @property
    def size_grids(self) -> CountGrids:
        """What is compared can have these values; none: not known."""
        grids = self.grids_of(self.channel)
        return magnitude_grids(grids) if self.magnitude else grids

    def line(self, pick_up: float, drop_off: float | None, *, rising: bool) -> LimitLevel:
        """Return one of its levels as it is drawn."""
        return LimitLevel(
            severity=self.severity,
            channel=self.channel,
            is_rising=rising,
            pick_up=pick_up,
            drop_off=None if drop_off == pick_up else drop_off,
        )
