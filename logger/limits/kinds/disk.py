"""The disk: how long its free space lasts at the present rate, evaluated once a second.

Where a limits file has none on the disk, the default one applies: a disk that lasts for less
than an hour warns until it lasts for one and a quarter.
"""

from collections.abc import Mapping
from typing import ClassVar, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from logger.event_kind import EventKind
from logger.joint.quantities import Display
from logger.limits.kind import PositiveNumber
from logger.limits.limit_change import LimitChange
from logger.limits.phrases import Phrases, format_number
from logger.limits.recorder_limit import RecorderLimit, RecorderSample
from logger.settings_file import SettingError

__all__ = ["DISK_LOW", "DiskLimit"]


class DiskLimit(RecorderLimit):
    """The disk must last for longer than that at the present rate."""

    kind: Literal["disk"] = "disk"
    below_h: PositiveNumber
    drop_off_h: PositiveNumber | None = None

    is_rising: ClassVar[bool] = False
    example: ClassVar[str] = """\
# How long the disk lasts at the present rate.
[[limit]]
name       = "disk"
kind       = "disk"
severity   = "warning"
below_h    = 6.0
drop_off_h = 8.0
"""

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

    @property
    def is_watched_key(self) -> str:
        """See `RecorderLimit`."""
        return "disk"

    @property
    def pick_up(self) -> float:
        """See `RecorderLimit`."""
        return self.below_h

    def value_of(self, sample: RecorderSample) -> float:
        """See `RecorderLimit`."""
        return sample.disk_left_h

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        level, clear = (f"{format_number(one, 2)} h" for one in (self.below_h, self.clears_at))
        more = f"more than {clear}" if self.clears_at == self.below_h else f"{clear} or more"
        return Phrases(
            label=f"disk for {level} or less",
            subject="the disk",
            reaches=f"lasts for {level} or less at the present rate",
            stays=f"lasts for {level} or less at the present rate",
            clears=f"at {more}",
            back=f"The disk lasts for {more} again",
        )

    def sentence(self, change: LimitChange) -> str:
        """See `LimitKind`."""
        if change.kind == EventKind.RAISED:
            return (
                f"The disk lasts for {change.value * 60:.0f} min at the present rate; then the "
                "recording ends. Free some room."
            )
        return f"The disk lasts for {change.value:.1f} h again."

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return f"{format_number(value, 2)} h"


DISK_LOW: Final = DiskLimit(name="disk-low", severity="warning", below_h=1.0, drop_off_h=1.25)
