"""The state of the live recording at one instant: read once, shown by every open page."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from replay.forecast import JointForecast
from replay.recording import Recording
from replay.trend import RecentTrend
from replay.urgency import JointOrder

__all__ = ["BusFacts", "LatestValues", "SlowValues", "Snapshot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusFacts:
    """A bus in its newest second."""

    frames_per_s: float = math.nan
    load: float = math.nan
    """Share of the time; NaN where nobody knows it."""
    error_frames: int = 0
    is_lost: bool = False
    """Whether it cannot be reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestValues:
    """The newest values of a joint."""

    time_ns: int
    """Time of its newest row; 0 before the first."""
    values: Mapping[str, tuple[int, float]]
    """Channel -> time and value of its newest reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowValues:
    """Values of a joint that change slowly: RMS torque once a second, the trend once in five."""

    rms_torque_Nm: float  # noqa: N815 - the unit's own spelling
    temperature_trend: RecentTrend | None
    forecast: JointForecast | None = None
    """By the joint's model of heat; None: it has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The state of the live recording at one instant."""

    serial: int
    """0: nothing is known yet."""
    recording: Recording | None
    """None while nothing is or was being recorded."""
    now_ns: int
    """End of the window: the newest value, or the present while none is received."""
    present_ns: int
    """The present on the clock of the recording, from which ages are counted."""
    latest: dict[str, LatestValues]
    slow: dict[str, SlowValues]
    """Both by joint."""
    peaks: dict[int, float] = field(default_factory=dict)
    """Number of an open alert -> its worst value so far."""
    order: JointOrder = field(default_factory=JointOrder)
    """The joints, the most urgent first."""
    buses: tuple[BusFacts, ...] = ()
    """The newest second of each of several buses."""
    missing: tuple[str, ...] = ()
    """What is missing of the recording, in sentences."""
    fault: str = ""
    """Why the recordings cannot be read, for a second or longer; empty if they can."""
