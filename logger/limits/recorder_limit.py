"""A limit on the recorder itself: which of its figures it watches, and from what value. Pure."""

import math
from abc import abstractmethod
from dataclasses import dataclass
from typing import ClassVar

from logger.event_kind import EventKind
from logger.joint.quantities import DISPLAYS
from logger.limits.kind import TimedLimit
from logger.limits.limit_change import LimitChange

__all__ = ["RecorderLimit", "RecorderSample"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderSample:
    """How the recorder fares; NaN for what is not known, which changes nothing."""

    now_ns: int
    lost: int
    """Frames lost since the recording began."""
    disk_left_h: float = math.nan
    """Hours that the disk lasts."""
    load: float = math.nan
    """Of the bus that is loaded most, a share of 1."""
    error_frames: float = math.nan
    """On all buses, within the last second."""
    garbled: float = math.nan
    """Lines or frames that could not be read, on all buses, within the last second."""


class RecorderLimit(TimedLimit):
    """A limit on the recorder itself, looked at once a second."""

    is_rising: ClassVar[bool] = True
    """False where less is worse."""

    @property
    @abstractmethod
    def is_watched_key(self) -> str:
        """The figure that it watches: "load", "error-frames", "garbled", "lost", "disk"."""

    @property
    def clear_after_s(self) -> float | None:
        """Of losses: without a further one for so long, the alert is over; None for others."""
        return None

    @property
    @abstractmethod
    def pick_up(self) -> float:
        """The value at and beyond which it is raised."""

    @property
    @abstractmethod
    def clears_at(self) -> float:
        """The value at which (and back beyond which) it counts as gone."""

    @abstractmethod
    def value_of(self, sample: RecorderSample) -> float:
        """Return the value that it compares; NaN where it is unknown."""

    def sentence(self, change: LimitChange) -> str:
        """See `LimitKind`."""
        phrases = self.phrases(DISPLAYS)
        value = self.format_value(change.value, DISPLAYS)
        if change.kind == EventKind.RAISED:
            label = f"{phrases.label[0].upper()}{phrases.label[1:]}"
            return f"{label}{self._delay_text()}, now {value} ({self.name})"
        peak = self.format_value(change.peak, DISPLAYS)
        return f"{phrases.back}, now {value}, peak {peak} ({self.name})"
