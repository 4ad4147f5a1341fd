"""Limits on the recorder itself: the load and the errors of its buses, what it lost, its disk.

Looked at once a second, with no joint. Where a limits file has none on losses, or none on the disk,
those stand that always did: a loss warns until a minute has passed without another, a disk that
lasts for less than an hour warns until it lasts for one and a quarter.
"""

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.limits.kind import PositiveNumber, TimedLimit
from logger.settings_file import SettingError

__all__ = ["DISK_LOW", "FRAMES_LOST", "BusLimit", "DiskLimit", "RecorderLimit", "recorder_limits"]

LOST_CLEAR_AFTER_S: Final = 60.0


class BusLimit(TimedLimit):
    """A bus must not be that loaded, have that many errors, or lose frames."""

    kind: Literal["bus"] = "bus"
    watch: Literal["load", "error-frames", "lost"]
    """The load of the bus that is loaded most; error frames a second, or frames lost, on all."""
    above: PositiveNumber | None = None
    """A share of 1 for the load, frames a second for error frames; of losses left out: any."""
    drop_off: float | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _fits(self) -> "BusLimit":
        if self.watch == "lost":
            for key in ("above", "drop_off", "on_delay_s"):
                if key in self.model_fields_set:
                    raise SettingError(
                        key,
                        found=f"{getattr(self, key):g} with watch = 'lost'",
                        expected="none: any loss counts, at once",
                        hint="off_delay_s says how long without another.",
                    )
            return self
        if self.above is None:
            raise SettingError("above", "this key is missing; only losses have none.")
        if self.watch == "load" and self.above > 1:
            raise SettingError(
                "above", found=f"{self.above:g}", expected="at most 1: the load is a share of 1"
            )
        if self.drop_off is not None and self.drop_off > self.above:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"at most {self.above:g}, the above of this limit",
            )
        return self

    @property
    def clear_after_s(self) -> float:
        """Without a further loss for so long, the alert is over."""
        return self.off_delay_s if "off_delay_s" in self.model_fields_set else LOST_CLEAR_AFTER_S

    @property
    def clears_at(self) -> float:
        """At or below which it counts as gone; of losses 0."""
        level = self.above if self.drop_off is None else self.drop_off
        return 0.0 if level is None else level


class DiskLimit(TimedLimit):
    """The disk must last for longer than that at the present rate."""

    kind: Literal["disk"] = "disk"
    below_h: PositiveNumber
    drop_off_h: PositiveNumber | None = None

    @model_validator(mode="after")
    def _fits(self) -> "DiskLimit":
        if self.drop_off_h is not None and self.drop_off_h < self.below_h:
            raise SettingError(
                "drop_off_h",
                found=f"{self.drop_off_h:g}",
                expected=f"at least {self.below_h:g}, the below_h of this limit",
            )
        return self

    @property
    def clears_at(self) -> float:
        """At or above which it counts as gone."""
        return self.below_h if self.drop_off_h is None else self.drop_off_h

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `TimedLimit`."""
        return -values


RecorderLimit = BusLimit | DiskLimit

FRAMES_LOST: Final = BusLimit(name="frames-lost", severity="warning", watch="lost")
DISK_LOW: Final = DiskLimit(name="disk-low", severity="warning", below_h=1.0, drop_off_h=1.25)


def recorder_limits(limits: tuple[object, ...]) -> tuple[RecorderLimit, ...]:
    """Return those of some limits that are on the recorder, and what it always watches."""
    given = tuple(limit for limit in limits if isinstance(limit, RecorderLimit))
    defaults: list[RecorderLimit] = []
    if not any(isinstance(limit, BusLimit) and limit.watch == "lost" for limit in given):
        defaults.append(FRAMES_LOST)
    if not any(isinstance(limit, DiskLimit) for limit in given):
        defaults.append(DISK_LOW)
    return (*defaults, *given)
