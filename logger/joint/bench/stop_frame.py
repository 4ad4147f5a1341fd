"""The stop frame of a joint: sent when a limit trips, and the condition that it has worked. Pure.

A convenience, no safety function: see the README's paragraph on it.
"""

from typing import Literal

from pydantic import Field, model_validator

from logger.joint.batch import CLASSIC_BYTES
from logger.joint.bench.identifiers import Identifier
from logger.joint.bench.layout import HexBytes
from logger.settings_file import SettingError, Settings

__all__ = ["StopCondition", "StopFrame"]


class StopCondition(Settings):
    """The condition under which the joint has stopped."""

    channel: Literal["current_A", "speed_rad_s"]
    below: float = Field(gt=0)
    """Its magnitude, in the channel's unit, at the output side."""
    within_s: float = Field(gt=0, le=60.0)
    """From the first stop frame on; later counts as no effect."""


class StopFrame(Settings):
    """A frame that asks the joint to stop."""

    identifier: Identifier
    extended: bool = False
    data: HexBytes = ""
    repeat: int = Field(default=5, ge=1, le=1000)
    """How often it is sent at most."""
    every_s: float = Field(default=0.02, ge=0.001, le=10.0)
    until: StopCondition | None = None
    """Sending ends once this is met; without it: `repeat` times, its effect unknown.
    """

    @model_validator(mode="after")
    def _check_repeats(self) -> "StopFrame":
        count = len(self.data) // 2
        if count > CLASSIC_BYTES:
            raise SettingError("data", found=f"{count} bytes", expected=f"at most {CLASSIC_BYTES}")
        return self
