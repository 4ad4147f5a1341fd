"""What all kinds of limit have in common: a name, a severity, a joint, delays. Pure data.

A kind is a model (what the file says) and a *measure*: one number for each reading, of which more
is worse. What the number must reach, and all that delays and gaps do, is hysteresis.py's, alike for
every kind.
"""

from dataclasses import dataclass
from typing import Annotated, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import CHANNELS
from logger.settings_file import Settings

__all__ = [
    "MAX_DURATION_S",
    "DelayDuration",
    "EventSeverity",
    "FiniteNumber",
    "JointLimit",
    "LimitName",
    "PositiveDuration",
    "PositiveNumber",
    "PositiveShare",
    "Scores",
    "Severity",
    "TimedLimit",
    "rated_value",
]

Severity = Literal["warning", "trip"]
EventSeverity = Literal["", "warning", "trip"]
"""The same of an event; "": it is of no alert."""

MAX_DURATION_S: Final = 366 * 86_400.0

LimitName = Annotated[str, Field(pattern=r"^[a-z0-9-]+$", max_length=60)]
FiniteNumber = Annotated[float, Field(allow_inf_nan=False)]
DelayDuration = Annotated[float, Field(ge=0, le=MAX_DURATION_S)]
PositiveDuration = Annotated[float, Field(gt=0, le=MAX_DURATION_S)]
PositiveNumber = Annotated[float, Field(gt=0, allow_inf_nan=False)]
PositiveShare = Annotated[float, Field(gt=0, le=1e6)]
"""Of a rated value: so small that the product is a number."""


class TimedLimit(Settings):
    """A limit with delays: on the readings of a joint, or on the recorder itself."""

    name: LimitName
    severity: Severity
    on_delay_s: DelayDuration = 0.0
    off_delay_s: DelayDuration = 0.0

    @property
    def reported_channel(self) -> str:
        """The channel in whose unit values are told; empty where they have a unit of their own."""
        return ""

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return values by which peaks are chosen, more is worse, whichever way the limit looks."""
        return values


class JointLimit(TimedLimit):
    """A limit on the readings of a joint."""

    joint: str | None = None
    """None: every joint that carries the channels."""

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """The key of each channel that a joint must carry, and the channel."""
        return ()

    @property
    def needs_rated(self) -> tuple[tuple[str, str], ...]:
        """The keys that are shares of a rated value, and the channel that it is of."""
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """What a limit makes of n readings; every array has length n."""

    time_ns: NDArray[np.int64]
    batch_rows: NDArray[np.intp] | None
    """The row of the batch that each belongs to; None: they are all rows."""
    score: NDArray[np.float64]
    """On at or above `pick_up`, off at or below `drop_off` where it is not on; NaN is neither."""
    reported: NDArray[np.float64]
    """What is said of it: value and peak."""
    pick_up: float
    drop_off: float
    hold_ns: int
    """Two readings further apart than this have a gap between them."""


def rated_value(channel: str, rated: RatedValues) -> float | None:
    """Return the rated value that a channel is compared with; None where there is none."""
    quantity = CHANNELS[channel].quantity
    rated_by_quantity = {"torque": rated.torque, "current": rated.current, "voltage": rated.voltage}
    return rated_by_quantity.get(quantity)
