"""Limits on the recorder itself: the load and the errors of its buses, what it lost, its disk.

Looked at once a second, with no joint. Where a limits file has none on losses, or none on the disk,
those stand that always did: a loss warns until a minute has passed without another, a disk that
lasts for less than an hour warns until it lasts for one and a quarter.
"""

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.limits.kind import Positive, Timed

__all__ = ["DISK_LOW", "FRAMES_LOST", "Bus", "Disk", "OfRecorder", "of_recorder"]

CALM_S: Final = 60.0


class Bus(Timed):
    """A bus must not be that loaded, have that many errors, or lose frames."""

    kind: Literal["bus"] = "bus"
    watch: Literal["load", "error-frames", "lost"]
    """The load of the bus that is loaded most; error frames a second, or frames lost, on all."""
    above: Positive | None = None
    """A share of 1 for the load, frames a second for error frames; of losses left out: any."""
    drop_off: float | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _fits(self) -> "Bus":
        if self.watch == "lost":
            for key in ("above", "drop_off", "on_delay_s"):
                if key in self.model_fields_set:
                    raise ValueError(
                        f"{key}: found {getattr(self, key):g} with watch = 'lost', expected none: "
                        "any loss counts, at once. off_delay_s says how long without another."
                    )
            return self
        if self.above is None:
            raise ValueError("above: this key is missing; only losses have none.")
        if self.watch == "load" and self.above > 1:
            raise ValueError(
                f"above: found {self.above:g}, expected at most 1: the load is a share of 1."
            )
        if self.drop_off is not None and self.drop_off > self.above:
            raise ValueError(
                f"drop_off: found {self.drop_off:g}, expected at most {self.above:g}, the above "
                "of this limit."
            )
        return self

    @property
    def calm_s(self) -> float:
        """Without a further loss for so long, the alert is over."""
        return self.off_delay_s if "off_delay_s" in self.model_fields_set else CALM_S

    @property
    def clears_at(self) -> float:
        """At or below which it counts as gone; of losses 0."""
        found = self.above if self.drop_off is None else self.drop_off
        return 0.0 if found is None else found


class Disk(Timed):
    """The disk must last for longer than that at the present rate."""

    kind: Literal["disk"] = "disk"
    below_h: Positive
    drop_off_h: Positive | None = None

    @model_validator(mode="after")
    def _fits(self) -> "Disk":
        if self.drop_off_h is not None and self.drop_off_h < self.below_h:
            raise ValueError(
                f"drop_off_h: found {self.drop_off_h:g}, expected at least {self.below_h:g}, the "
                "below_h of this limit."
            )
        return self

    @property
    def clears_at(self) -> float:
        """At or above which it counts as gone."""
        return self.below_h if self.drop_off_h is None else self.drop_off_h

    def rank(self, told: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `Timed`."""
        return -told


OfRecorder = Bus | Disk

FRAMES_LOST: Final = Bus(name="frames-lost", severity="warning", watch="lost")
DISK_LOW: Final = Disk(name="disk-low", severity="warning", below_h=1.0, drop_off_h=1.25)


def of_recorder(limits: tuple[object, ...]) -> tuple[OfRecorder, ...]:
    """Return those of some limits that are on the recorder, and what it always watches."""
    mine = tuple(limit for limit in limits if isinstance(limit, OfRecorder))
    always: list[OfRecorder] = []
    if not any(isinstance(limit, Bus) and limit.watch == "lost" for limit in mine):
        always.append(FRAMES_LOST)
    if not any(isinstance(limit, Disk) for limit in mine):
        always.append(DISK_LOW)
    return (*always, *mine)
