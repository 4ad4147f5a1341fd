"""Touch temperature: a surface that is too hot for the time that a hand may stay on it.

After ISO 13732-1, bare metal. What the standard sets are burn thresholds, guidance and no limits:
so they are settings with defaults. 48 degC for 10 min and 43 degC for 8 h were read second-hand,
51 degC for 1 min, 55 degC for 10 s and the lower edge of the band for 1 s (65 to 70 degC) come from
memory. Strictly above a threshold exceeds it.
"""

from typing import Final, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.joint.bench.value import ChannelName
from logger.limits.kind import FiniteNumber, JointLimit, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["THRESHOLDS_DEGC", "TouchTemperature", "measure_touch"]

THRESHOLDS_DEGC: Final = {1.0: 65.0, 10.0: 55.0, 60.0: 51.0, 600.0: 48.0, 28_800.0: 43.0}
"""Time of contact in s -> burn threshold of bare metal in degC."""

_SURFACE: Final = "temperature_housing_degC"
_INNER: Final = {
    "temperature_winding_degC": "which lies inside: nobody touches it",
    "temperature_drive_degC": "which lies inside: nobody touches it",
    "temperature_ambient_degC": "which is of the air",
}


class TouchTemperature(JointLimit):
    """A surface must not be hotter than may be touched."""

    kind: Literal["touch"] = "touch"
    channel: ChannelName = _SURFACE
    contact_s: float = Field(gt=0, le=86_400)
    """How long a hand may stay: 1, 10, 60, 600 or 28800, or any with `above`."""
    above: FiniteNumber | None = None
    """Another threshold than that for bare metal."""
    drop_off: FiniteNumber | None = None

    @model_validator(mode="after")
    def _fits(self) -> "TouchTemperature":
        if self.channel != _SURFACE:
            reason = _INNER.get(self.channel, "which is no temperature")
            raise SettingError(
                "channel",
                f"found {self.channel!r}, {reason}; expected {_SURFACE!r}, of a joint "
                "or of a [[sensor]]: a burn threshold is one of a surface.",
            )
        if self.above is None and self.contact_s not in THRESHOLDS_DEGC:
            contact_times = ", ".join(f"{contact_s:g}" for contact_s in THRESHOLDS_DEGC)
            raise SettingError(
                "contact_s",
                found=f"{self.contact_s:g}",
                expected=f"one of {contact_times}; for any other, say the threshold with above",
            )
        if self.drop_off is not None and self.drop_off > self.threshold_temperature:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"at most {self.threshold_temperature:g}, the threshold of this limit",
            )
        return self

    @property
    def threshold_temperature(self) -> float:
        """The burn threshold in degC."""
        return self.above if self.above is not None else THRESHOLDS_DEGC[self.contact_s]

    @property
    def clears_at(self) -> float:
        """The temperature at or below which it counts as gone."""
        return self.threshold_temperature if self.drop_off is None else self.drop_off

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `JointLimit`."""
        return (("channel", self.channel),)

    @property
    def reported_channel(self) -> str:
        """See `JointLimit`."""
        return self.channel


def measure_touch(limit: TouchTemperature, series: Series) -> Scores:
    """Return the temperatures as they are; picked up by the next number above the threshold."""
    readings = series.channel_series(limit.channel)
    return Scores(
        time_ns=readings.time_ns,
        batch_rows=readings.rows,
        score=readings.values,
        reported=readings.values,
        pick_up=float(np.nextafter(limit.threshold_temperature, np.inf)),
        drop_off=limit.clears_at,
        hold_ns=series.hold_ns[limit.channel],
    )
